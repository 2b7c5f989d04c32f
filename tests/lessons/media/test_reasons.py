"""Every reason leads to one verdict and says what happened, what was kept and what to do."""

import pytest

from lessons.media import ReasonCode, Verdict
from lessons.media.reasons import explain, verdict_of


@pytest.mark.parametrize("code", ReasonCode)
def test_every_reason_has_a_verdict_and_words(code: ReasonCode) -> None:
    text = explain(code, duration_s=95.4, max_duration_s=3600, max_bytes=8_000_000_000)
    assert verdict_of(code) in Verdict
    assert "{" not in text
    assert "!" not in text
    assert text.endswith(".")
    if verdict_of(code) is not Verdict.ACCEPT:
        assert "kept" in text


@pytest.mark.parametrize(
    ("duration_s", "words"), [(None, "unknown length"), (1.7, "1.7 s"), (42.4, "42 s"), (95.4, "1 min 35 s")]
)
def test_length_of_what_was_kept_is_said(duration_s: float | None, words: str) -> None:
    text = explain(ReasonCode.CUT_SHORT, duration_s=duration_s, max_duration_s=3600, max_bytes=10**9)
    assert words in text
