"""Bare sound files that lost their end: nothing in the decoded sound tells, so their frames, pages and chunks must."""

import os
from pathlib import Path

import av
import numpy as np
import pytest

from lessons.media import ReasonCode, Verdict, probe
from lessons.media.inside.structure import walk

# Suffix, encoder, rate in Hz, name of the container where the suffix does not say it.
KINDS = [
    (".mp3", "libmp3lame", 44_100),
    (".mp3", "libmp3lame", 16_000),
    (".aac", "aac", 44_100),
    (".flac", "flac", 44_100),
    (".ogg", "libopus", 48_000),
    (".caf", "pcm_s16le", 44_100),
    (".wav", "pcm_s16le", 44_100),
    (".amr", "libopencore_amrnb", 8_000),
]
NAMES = [f"{suffix[1:]}_{rate_hz}" for suffix, _, rate_hz in KINDS]


def sound_file(path: Path, *, codec: str, rate_hz: int, seconds: int = 4) -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=rate_hz)
        stream.layout = "mono"
        planned = "s16" if codec != "aac" else "fltp"
        resampler = av.AudioResampler(format=stream.codec_context.format or planned, layout="mono", rate=rate_hz)
        rng = np.random.default_rng(5)
        for second in range(seconds):
            at = np.arange(rate_hz) / rate_hz
            wave = 9000 * np.sin(2 * np.pi * 330 * at) + 900 * rng.normal(size=rate_hz)
            frame = av.AudioFrame.from_ndarray(wave.astype(np.int16)[None], format="s16", layout="mono")
            frame.sample_rate, frame.pts = rate_hz, second * rate_hz
            for part in resampler.resample(frame):
                out.mux(stream.encode(part))
        for part in resampler.resample(None):
            out.mux(stream.encode(part))
        out.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(("suffix", "codec", "rate_hz"), KINDS, ids=NAMES)
def test_whole_sound_is_whole_and_cut_sound_is_named(folder: Path, suffix: str, codec: str, rate_hz: int) -> None:
    whole = sound_file(folder / f"whole{suffix}", codec=codec, rate_hz=rate_hz)
    assert probe(whole).reason == ReasonCode.OK
    data = whole.read_bytes()
    for share in (0.31, 0.63, 0.9):
        cut = folder / f"cut{suffix}"
        cut.write_bytes(data[: int(share * len(data)) | 1])
        found = probe(cut)
        assert (found.verdict, found.reason) == (Verdict.PARTIAL, ReasonCode.CUT_SHORT), share
        # What is there counts, to the last whole part: an Ogg page holds a second of sound.
        assert 4 * share - 1.1 < found.duration_s <= 4 * share + 0.2


@pytest.mark.parametrize(("suffix", "codec", "rate_hz"), KINDS[:5], ids=NAMES[:5])
def test_something_put_behind_whole_sound_does_not_make_it_cut(
    folder: Path, suffix: str, codec: str, rate_hz: int
) -> None:
    path = sound_file(folder / f"tagged{suffix}", codec=codec, rate_hz=rate_hz, seconds=1)
    with path.open("ab") as sound:
        sound.write(b"TAG" + bytes(125))
    assert probe(path).reason == ReasonCode.OK


def test_wide_amr_is_walked_by_its_own_lengths(folder: Path) -> None:
    path = folder / "wide.amr"
    frames = b"".join(
        bytes([kind << 3 | 4]) + bytes(length - 1) for kind, length in ((8, 61), (2, 33), (9, 6), (15, 1))
    )
    path.write_bytes(b"#!AMR-WB\n" + frames)
    assert not is_cut(path)
    path.write_bytes(b"#!AMR-WB\n" + frames[:-10])
    assert is_cut(path)


def test_mp3_promising_more_frames_than_it_has_is_cut_at_a_seam(folder: Path) -> None:
    whole = sound_file(folder / "whole.mp3", codec="libmp3lame", rate_hz=44_100)
    data = whole.read_bytes()
    seam = data.index(b"\xff\xfb", len(data) // 2)
    (folder / "seam.mp3").write_bytes(data[:seam])
    assert is_cut(folder / "seam.mp3")
    assert not is_cut(whole)


@pytest.mark.parametrize(
    "head",
    [
        b"OggS",
        b"caff",
        b"#!AMR\n",
        b"\xff\xfb\x90\x64",
        b"\xff\xf1\x50\x80\x00\x1f\xfc",
        b"ID3\4\0\x10\x7f\x7f\x7f\x7f",
    ],
)
def test_walk_of_little_or_rubbish_ends(folder: Path, head: bytes) -> None:
    path = folder / "rubbish"
    for tail in (b"", bytes(40), b"\xff" * 500, bytes(range(256)) * 40):
        path.write_bytes(head + tail)
        assert is_cut(path) in (True, False)


def is_cut(path: Path) -> bool:
    fd = os.open(path, os.O_RDONLY)
    try:
        return walk(fd).is_cut
    finally:
        os.close(fd)
