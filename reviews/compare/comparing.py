"""The whole comparison of one take, from heard notes to findings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from curriculum.score import DueNote, Hand, MarkKind, WrittenScore, in_playing_order
from reviews.compare.designed import placed_of
from reviews.compare.expected import Expected, expect
from reviews.compare.findings import Finding, FindingSettings, Written, find
from reviews.compare.matching import match
from reviews.compare.measures import Evenness, Measure, TempoMeasure, Trust, evenness_of, hands_apart_ms, tempo_of
from reviews.compare.results import Matching
from reviews.compare.settings import CompareSettings
from reviews.sound.heard import HeardNote

# Ornaments during which neighbouring keys are struck.
TURNING = frozenset(
    {"trill-mark", "trill", "turn", "inverted-turn", "mordent", "inverted-mordent", "shake", "wavy-line"}
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a take is beside its score. ``evenness`` has an entry for each hand that played 24 usable notes or more."""

    matching: Matching
    findings: tuple[Finding, ...]
    tempo: TempoMeasure | None
    evenness: dict[Hand, Evenness]
    hands_apart: tuple[Measure, float] | None


def written_of(score: WrittenScore, *, bars: Sequence[str] = ()) -> tuple[Expected, Written]:
    """Return what is to be played, and the marks that findings are held against.

    Parameters
    ----------
    score : WrittenScore
        The score.
    bars : sequence of str, optional
        Printed numbers of the bars that were to be played; none for all. Unknown ones count for nothing; if no bar is left, all count.

    Returns
    -------
    (Expected, Written)
        Notes in playing order and marks of loudness by their first onset.
    """
    due = in_playing_order(score)
    wanted = {str(bar) for bar in bars}
    kept = [note for note in due if note.bar in wanted] or list(due)
    ornamented = {note.id for note in score.notes if TURNING & set(note.ornaments)}
    return expect(kept, ornamented=ornamented), Written(dynamics=_dynamics(score, kept), placed=placed_of(kept))


def _dynamics(score: WrittenScore, due: Sequence[DueNote]) -> tuple[tuple[float, str], ...]:
    starts: dict[int, list[float]] = {}
    for note in due:
        start = float(note.onset_beat - (note.beat - 1))
        if start not in starts.setdefault(note.bar_index, []):
            starts[note.bar_index].append(start)
    found = [
        (start + float(mark.offset_beat), mark.text)
        for mark in score.marks
        if mark.kind == MarkKind.DYNAMIC
        for start in starts.get(mark.bar, ())
    ]
    return tuple(sorted(found))


def compare(
    heard: Sequence[HeardNote],
    *,
    expected: Expected,
    trust: Trust,
    written: Written | None = None,
    settings: CompareSettings | None = None,
    bands: FindingSettings | None = None,
    hands: frozenset[Hand] | None = None,
) -> Comparison:
    """Return everything that is known about a take beside its score.

    Parameters
    ----------
    heard : sequence of HeardNote
        In order of time.
    expected, written
        From :func:`written_of`.
    trust : Trust
        How good the recording is.
    settings, bands
        Windows, bars of confidence and borders of levels.
    hands : frozenset of hands, optional
        The hands that were to play; None: found out.

    Returns
    -------
    Comparison
        With nothing heard: every note unreached, no finding.

    Examples
    --------
    >>> compare([], expected=expect([]), trust=Trust()).findings
    ()
    """
    settings = settings or CompareSettings()
    matching = match(heard, expected=expected, settings=settings, hands=hands, is_exact=trust.is_exact, is_poor=trust.is_poor)  # fmt: skip
    even = {hand: evenness_of(matching, hand=hand, trust=trust, settings=settings) for hand in sorted(matching.hands)}
    return Comparison(
        matching=matching,
        findings=find(matching, trust=trust, settings=settings, written=written, bands=bands),
        tempo=tempo_of(matching, trust=trust, settings=settings) if matching.passes else None,
        evenness={hand: each for hand, each in even.items() if each is not None},
        hands_apart=hands_apart_ms(matching, trust=trust) if len(matching.hands) == 2 else None,
    )


def asked(written: Written, *, bpm: float | None) -> Written:
    """Return the same with the tempo of the sheet.

    Parameters
    ----------
    written : Written
        What the score says.
    bpm : float or None
        Quarters a minute.

    Returns
    -------
    Written
        With ``asked_bpm``.
    """
    return replace(written, asked_bpm=bpm)
