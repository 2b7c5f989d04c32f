"""Files that were odd in ways the first corpus did not think of."""

import io
from pathlib import Path

import pytest
from PIL import Image

from lessons.media import ReasonCode, Verdict, make_copy, probe
from tests.reviews.test_measure_command import number
from tests.tools.make_clips import clip


def in_passes(passes: int) -> bytes:
    """A progressive JPEG whose last pass is repeated."""
    out = io.BytesIO()
    Image.radial_gradient("L").resize((1200, 1200)).save(out, "JPEG", progressive=True, quality=60)
    data = out.getvalue()
    last = data.rindex(b"\xff\xda")
    body, end = data[last:-2], data[-2:]
    return data[:last] + body * passes + end


def test_picture_in_thousands_of_passes_is_refused_at_once(folder: Path) -> None:
    path = folder / "scans.jpg"
    path.write_bytes(in_passes(2000))
    found = probe(path)
    assert (found.verdict, found.reason) == (Verdict.REJECT, ReasonCode.PICTURE_BROKEN)


def test_picture_in_as_many_passes_as_encoders_write_is_taken(folder: Path) -> None:
    path = folder / "progressive.jpg"
    path.write_bytes(in_passes(1))
    assert probe(path).reason == ReasonCode.OK


def test_whole_film_with_something_behind_it_is_not_cut_short(folder: Path) -> None:
    path = folder / "behind.mkv"
    clip(path, seconds=1, claps=())
    with path.open("ab") as film:
        film.write(b"<html>" + bytes(3000))
    assert probe(path).reason == ReasonCode.OK


def test_a_gap_in_the_middle_does_not_lengthen_the_end(folder: Path) -> None:
    path = folder / "gap.mp4"
    ticks = [*range(0, 90_000, 3000), *range(270_000, 360_000, 3000)]
    clip(path, seconds=4, vpts=[tick / 90_000 for tick in ticks], claps=())
    copy = make_copy(path, folder / "copy.mp4", probe=probe(path))
    assert copy.duration_s == pytest.approx(4.0, abs=0.1)


def test_tempo_of_nothing_is_no_tempo(folder: Path) -> None:
    path = folder / "still.mid"
    body = b"\x00\xff\x51\x03\x00\x00\x00" + b"\x00\x90\x3c\x40" + number(960) + b"\x80\x3c\x00\x00\xff\x2f\x00"
    path.write_bytes(b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk" + len(body).to_bytes(4, "big") + body)
    assert probe(path).duration_s == pytest.approx(1.0)
