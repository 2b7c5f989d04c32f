"""First bytes and last bytes: what a file seems to be, and whether it was cut."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from lessons.media import probe
from lessons.media.inside.sniffing import guess
from lessons.media.inside.structure import walk
from tests.lessons.media.conftest import Case


@pytest.mark.parametrize(
    ("head", "wanted"),
    [
        (b"\xff\xd8\xff\xe0", "picture"),
        (b"\0\0\0\x1cftypheic", "picture"),
        (b"\0\0\0\x1cftypavif", "picture"),
        (b"\0\0\0\x14ftypqt  ", "clip"),
        (b"\0\0\0\x1cftypisom\0\0\2\0mif1", "clip"),  # the major brand decides
        (b"RIFF\0\0\0\0WEBP", "picture"),
        (b"RIFF\0\0\0\0WAVE", "clip"),
        (b"MM\0*", "picture_unshowable"),
        (b"\xef\xbb\xbf  #EXTM3U\n", "list"),
        (b"\n\nffconcat version 1.0", "list"),
        (b'<?xml version="1.0"?><MPD>', "list"),
        (b"<ASX version=3>", "list"),
        (b"<svg", "not_media"),
        (b"PK\x03\x04", "not_media"),
        (b"MThd", "midi"),
        (b"", "clip"),
    ],
)
def test_first_bytes_sort_the_file(head: bytes, wanted: str) -> None:
    assert guess(head) == wanted


@pytest.mark.parametrize(
    "case_id",
    [
        "mp4_h264_aac",
        "mp4_fragmented",
        "webm_vp8_live",
        pytest.param("webm_vp9_indexed", marks=pytest.mark.slow),
        "aud_wav16",
    ],
)
def test_every_cut_is_noticed_and_the_whole_file_is_not_cut(
    case_id: str, case: Callable[[str], Case], folder: Path
) -> None:
    data = case(case_id).path.read_bytes()
    path = folder / "cut"
    for kept in range(len(data) // 9, len(data), len(data) // 9):
        path.write_bytes(data[:kept])
        assert _walk(path).is_cut, kept
    path.write_bytes(data)
    assert not _walk(path).is_cut


def test_index_counts_only_when_it_is_whole(case: Callable[[str], Case], folder: Path) -> None:
    data = case("mp4_h264_aac").path.read_bytes()
    (folder / "cut").write_bytes(data[:-10])
    assert not _walk(folder / "cut").has_index
    assert _walk(case("mp4_h264_aac").path).has_index


def test_wave_written_while_streaming_is_not_cut(case: Callable[[str], Case]) -> None:
    assert not _walk(case("wav_header_4gb").path).is_cut


@pytest.mark.parametrize(("name", "reason"), [("clip.mov", "picture_named_as_clip"), ("upload", "ok")])
def test_picture_under_a_films_name_is_refused_by_the_name_it_was_sent_with(
    name: str, reason: str, case: Callable[[str], Case]
) -> None:
    assert probe(case("progressive").path, name=name).reason == reason


def _walk(path: Path):
    fd = os.open(path, os.O_RDONLY)
    try:
        return walk(fd)
    finally:
        os.close(fd)
