"""What browsers play already is taken over without coding it again; everything else is coded."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lessons.media import make_copy, probe
from tests.lessons.media.signs import decode
from tests.tools.make_clips import clip

# Half-second key pictures, no B-pictures, 640x480 at 30 Hz, stereo AAC: nothing is left to do.
FITTING: dict[str, Any] = {
    "w": 640,
    "h": 480,
    "gop": 15,
    "vopts": {"preset": "veryfast", "crf": "30", "bf": "0"},
    "meta": {"com.apple.quicktime.make": "Testmaker", "location": "+48.8584+002.2945/"},
    "opts": {"movflags": "use_metadata_tags"},
}


def made_of(folder: Path, **changes: Any):
    original = folder / "film.mov"
    clip(original, **(FITTING | changes))
    return original, make_copy(original, folder / "copy.mp4", probe=probe(original))


def test_what_fits_is_taken_over_picture_by_picture_and_sample_by_sample(folder: Path) -> None:
    original, made = made_of(folder)
    assert made.is_remuxed
    before, after = decode(original), decode(folder / "copy.mp4")
    assert after.times == pytest.approx(before.times, abs=1e-4)
    assert all(np.array_equal(one, other) for one, other in zip(before.frames, after.frames, strict=True))
    assert np.array_equal(before.sound, after.sound)
    assert after.start_s == pytest.approx(before.start_s, abs=1e-4)
    assert (made.width, made.height, made.frames, made.has_sound) == (640, 480, len(before.frames), True)


def test_what_is_taken_over_says_nothing_about_place_or_maker_and_begins_with_its_index(folder: Path) -> None:
    original, made = made_of(folder)
    data = (folder / "copy.mp4").read_bytes()
    assert made.is_remuxed
    assert b"Testmaker" in original.read_bytes()
    assert not any(word in data for word in (b"Testmaker", b"48.8584", b"x264"))
    assert data.index(b"moov") < data.index(b"mdat")


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"gop": 60}, id="key pictures too far apart to step well"),
        pytest.param({"rotate": 90, "w": 480, "h": 640}, id="turned"),
        pytest.param({"w": 1920, "h": 1080, "seconds": 1, "claps": ()}, id="too large"),
        pytest.param({"fps": 120, "gop": 15, "seconds": 1, "claps": ()}, id="too many pictures"),
        pytest.param(
            {"vcodec": "libx265", "tag": "hvc1", "vopts": {"preset": "ultrafast", "x265-params": "log-level=none"}},
            id="another codec",
        ),
        pytest.param({"acodec": "libmp3lame", "asize": 1152}, id="another codec of sound"),
        pytest.param({"layout": "5.1"}, id="six channels"),
        pytest.param({"rate": 32000}, id="a rate that browsers may not play"),
    ],
)
def test_what_does_not_fit_is_coded_again(changes: dict[str, Any], folder: Path) -> None:
    _, made = made_of(folder, **changes)
    assert not made.is_remuxed
    stored = decode(folder / "copy.mp4")
    assert len(stored.frames) > 10
    assert max(np.diff([*stored.keys, stored.times[-1]])) <= 0.55


def test_what_begins_late_keeps_its_lateness_when_taken_over(folder: Path) -> None:
    original, made = made_of(folder, a_offset=0.4)
    stored = decode(folder / "copy.mp4")
    assert stored.clicks_s == pytest.approx(decode(original).clicks_s, abs=0.001)
    assert made.has_sound
