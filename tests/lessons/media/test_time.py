"""One common zero: claps and flashes of the corpus lie where they were made, in what is stored."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from lessons.media import Probe, decode_sound, list_frames, make_copy, probe
from lessons.media.samples import open_samples
from tests.lessons.media.conftest import Case
from tests.lessons.media.signs import clicks_s, decode
from tests.tools import make_clips

# Files with claps in them. Left out: telephone sound (its codec smears a click of a millisecond over a tenth of a second), and files
# damaged at random places.
CLAPPING = [
    case_id
    for case_id, (_, expect, *_rest) in make_clips.REGISTRY.items()
    if expect in ("accept", "partial")
    and case_id.startswith(
        (
            *("mp4_", "rot_", "hevc_", "vfr", "webm_", "mkv_", "two_", "apac", "surround", "mono", "left", "anti"),
            *("audio_", "video_", "neg_", "long_", "tiny_", "cover_", "aud_", "cut_", "dur_", "wav_", "html_poly"),
            "no_audio",
        )
    )
    and "amr" not in case_id
]
OPUS = ("webm_", "cut_webm", "aud_opus")


@pytest.mark.slow
@pytest.mark.parametrize("case_id", CLAPPING)
def test_claps_and_flashes_are_stored_where_they_were_made(
    case_id: str, case: Callable[[str], Case], folder: Path
) -> None:
    film = case(case_id)
    found = probe(film.path)
    # Opus moves a click of one millisecond by up to one and a half.
    slack_s = 0.002 if case_id.startswith(OPUS) else 0.001
    wanted_clicks, wanted_flashes = _wanted(film, found)

    if found.audio is not None:
        sound = decode_sound(film.path, folder / "sound.npy", probe=found)
        heard = clicks_s(open_samples(folder / "sound.npy"), sound.rate_hz)
        assert heard == pytest.approx(wanted_clicks, abs=slack_s)
        assert sound.duration_s <= found.duration_s + 0.001

    copy = make_copy(film.path, folder / "copy.mp4", probe=found)
    stored = decode(folder / "copy.mp4")
    assert copy.has_sound == (found.audio is not None)
    assert stored.clicks_s == pytest.approx(wanted_clicks if copy.has_sound else [], abs=slack_s)
    if found.video is not None:
        assert stored.flashes_s == pytest.approx(wanted_flashes, abs=1 / make_clips.FPS + 0.001)
        list_frames(folder / "copy.mp4", folder / "frames.json", duration_s=copy.duration_s)
        times = json.loads((folder / "frames.json").read_text())["times_s"]
        assert times == pytest.approx(stored.times, abs=0.0002)


def _wanted(film: Case, found: Probe) -> tuple[list[float], list[float]]:
    """Claps in seconds from the common zero, as far as the file goes."""
    truth = film.truth
    starts = [truth[track]["start"] for track in ("video", "audio") if truth.get(track)]
    zero_s = min(starts, default=0.0)
    end_s = found.duration_s - 0.05
    claps = [clap - zero_s for clap in truth["claps"]]
    clicks = [clap + truth.get("audio_shift", 0.0) for clap in claps]
    flashes = [clap + truth.get("video_shift", 0.0) for clap in claps]
    if truth.get("video", {}).get("vfr"):
        # A flash shows in the first picture at or after its clap; these come at uneven times.
        flashes = [min(at_s for at_s in truth["video"]["pts"] if at_s >= clap) for clap in claps]
    return [at_s for at_s in clicks if at_s < end_s], [at_s for at_s in flashes if at_s < end_s]
