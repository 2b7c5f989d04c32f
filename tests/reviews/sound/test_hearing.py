"""Sound of any length is heard without being held."""

import sys
from pathlib import Path

import numpy as np
import pytest

from lessons.media.samples import mix_weights, open_samples
from reviews.sound.hearing import Mono
from reviews.sound.listener import RATE_HZ

MINUTES = 13  # of two channels: 100 MB


def resident_mb(path: Path) -> float:
    """How much of a mapped file this process holds."""
    total_kb, is_inside = 0, False
    for line in Path("/proc/self/smaps").read_text().splitlines():
        if "-" in line.split(" ")[0]:
            is_inside = line.endswith(str(path))
        elif is_inside and line.startswith("Rss:"):
            total_kb += int(line.split()[1])
    return total_kb / 1e3


@pytest.fixture
def long_sound(tmp_path) -> Path:
    path = tmp_path / "sound.npy"
    stored = np.lib.format.open_memmap(path, mode="w+", dtype=np.float32, shape=(MINUTES * 60 * RATE_HZ, 2))
    stored[:RATE_HZ] = 0.1
    stored.flush()
    return path


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells what of a map is resident")
def test_what_was_read_of_a_long_recording_is_let_go(long_sound):
    samples = open_samples(long_sound)
    mono = Mono(samples, mix_weights(samples))
    assert resident_mb(long_sound) < 20
    most_mb = 0.0
    for number, _ in enumerate(mono.blocks()):
        if number % 10 == 0:
            most_mb = max(most_mb, resident_mb(long_sound))
    assert 0 < most_mb < 50


def test_sound_let_go_reads_the_same_again(long_sound):
    mono = Mono(open_samples(long_sound), np.array([0.5, 0.5]))
    first = mono.part(0, 2 * RATE_HZ)
    for _ in mono.blocks():
        pass
    np.testing.assert_array_equal(mono.part(0, 2 * RATE_HZ), first)
    assert first[: RATE_HZ - 1].min() == pytest.approx(0.1)
