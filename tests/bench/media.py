"""What it costs to take clips in: the corpus of difficult files, looking, copying, sound, outlines.

    python tests/bench/media.py [--minutes 30]

Copying is held against the `ffmpeg` of the system with the same settings, in the same run, in turns. Everything else is
told as it is: share of the clip's length, memory of the child process.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from lessons.media import (
    CopyLimits,
    box,
    copying,
    decode_sound,
    list_frames,
    make_copy,
    make_thumbnails,
    making,
    probe,
    probing,
)
from lessons.media.samples import make_peaks
from tests.tools import make_clips

DECIDED = ("accept", "partial", "reject", "limit")


class Watch:
    """Keeps the worst of what the child processes used."""

    def __init__(self) -> None:
        self.peak_bytes = 0
        run = box.run_boxed

        def watched(*args: Any, **options: Any) -> Any:
            report = run(*args, **options)
            self.peak_bytes = max(self.peak_bytes, report.peak_bytes)
            return report

        for module in (copying, making, probing):
            if hasattr(module, "run_boxed"):
                module.run_boxed = watched

    def of(self, act: Callable[[], Any]) -> tuple[Any, float, float]:
        """What an act gives, its seconds and the peak of its child in MB."""
        self.peak_bytes = 0
        began = time.perf_counter()
        found = act()
        return found, time.perf_counter() - began, self.peak_bytes / 1e6


def corpus(watch: Watch, folder: Path) -> None:
    right = decided = 0
    worst_s, worst_mb, slow, large = 0.0, 0.0, "", ""
    make_clips.build(folder, list(make_clips.REGISTRY))
    for case_id, (name, wanted, *_) in make_clips.REGISTRY.items():
        path = folder / name
        if not path.exists():
            continue
        found, seconds, peak_mb = watch.of(lambda path=path: probe(path))
        if seconds > worst_s:
            worst_s, slow = seconds, case_id
        if peak_mb > worst_mb:
            worst_mb, large = peak_mb, case_id
        if wanted in DECIDED:
            decided += 1
            right += found.verdict == wanted
            if found.verdict != wanted:
                print(f"  {case_id}: {found.verdict} instead of {wanted}")
    print(f"corpus: {right} of {decided} decided verdicts right")
    print(f"        worst time {worst_s:.1f} s ({slow}), worst memory {worst_mb:.0f} MB ({large})")


def film(path: Path, *, seconds: float, width: int = 1920, height: int = 1080) -> Path:
    """A moving picture with noise and a hum, as a phone's encoder would leave it: about 16 Mb/s at 1080p."""
    random = np.random.default_rng(1)
    ground = random.integers(0, 60, (height, width, 3), dtype=np.uint8)
    with av.open(str(path), "w") as out:
        video = out.add_stream("libx264", rate=30, options={"preset": "ultrafast", "b": "16M"})
        video.width, video.height, video.pix_fmt = width, height, "yuv420p"
        sound = out.add_stream("aac", rate=48_000, layout="stereo")
        for number in range(int(seconds * 30)):
            picture = np.roll(ground, number * 7, axis=1)
            picture[:, (number * 20) % width : (number * 20) % width + 200] = 200
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 30)
            out.mux(video.encode(frame))
            if number % 30 == 0:
                at = np.arange(48_000) / 48_000
                hum = np.tile((0.2 * np.sin(2 * np.pi * 220 * at)).astype(np.float32), (2, 1))
                for start in range(0, 48_000, 1000):
                    piece = av.AudioFrame.from_ndarray(np.ascontiguousarray(hum[:, start : start + 1000]), format="fltp", layout="stereo")  # fmt: skip
                    piece.sample_rate, piece.pts = 48_000, number // 30 * 48_000 + start
                    out.mux(sound.encode(piece))
        out.mux(video.encode(None))
        out.mux(sound.encode(None))
    return path


def repeated(path: Path, out: Path, *, times: int) -> Path:
    """The same film end to end, without coding it again."""
    listing = out.with_suffix(".txt")
    listing.write_text(f"file '{path}'\n" * times)
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-f", "concat", "-safe", "0", "-i", listing, "-c", "copy", out], check=True)  # fmt: skip
    return out


def against_ffmpeg(watch: Watch, original: Path, folder: Path) -> None:
    limits = CopyLimits()
    found = probe(original)
    command = [
        *("ffmpeg", "-v", "error", "-y", "-i", str(original)),
        *("-vf", f"scale=-2:{limits.short_side_px}", "-c:v", "libx264", "-preset", "veryfast", "-crf", str(limits.quality_crf)),
        *("-profile:v", "high", "-bf", "0", "-maxrate", "5M", "-bufsize", "10M", "-force_key_frames", f"expr:gte(t,n_forced*{limits.key_every_s})"),
        *("-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a", str(limits.sound_bit_s), "-movflags", "+faststart", str(folder / "peer.mp4")),
    ]  # fmt: skip
    ours, theirs = [], []
    for _ in range(3):
        _, seconds, peak_mb = watch.of(lambda: make_copy(original, folder / "copy.mp4", probe=found))
        ours.append(seconds)
        began = time.perf_counter()
        subprocess.run(command, check=True)
        theirs.append(time.perf_counter() - began)
    print(
        f"copy of {found.duration_s:.0f} s of 1080p: {min(ours):.1f} s, ffmpeg {min(theirs):.1f} s: "
        f"{min(theirs) / min(ours):.2f} of its speed; peak {peak_mb:.0f} MB"
    )


def long_film(watch: Watch, original: Path, folder: Path) -> None:
    size_mb = original.stat().st_size / 1e6
    found, seconds, peak_mb = watch.of(lambda: probe(original))
    minutes = found.duration_s / 60
    print(f"{minutes:.0f} min of 1080p, {size_mb:.0f} MB")
    print(f"  looking    {seconds:7.1f} s, peak {peak_mb:.0f} MB, verdict {found.verdict}")
    sound, seconds, peak_mb = watch.of(lambda: decode_sound(original, folder / "sound.npy", probe=found))
    print(f"  sound      {seconds:7.1f} s ({seconds / found.duration_s:.4f} of its length), peak {peak_mb:.0f} MB")
    copy, seconds, peak_mb = watch.of(lambda: make_copy(original, folder / "copy.mp4", probe=found))
    print(f"  copy       {seconds:7.1f} s ({seconds / found.duration_s:.3f} of its length), peak {peak_mb:.0f} MB, {copy.bytes / 1e6:.0f} MB")  # fmt: skip
    _, seconds, _ = watch.of(lambda: make_peaks(folder / "sound.npy", folder / "peaks", rate_hz=sound.rate_hz))
    print(f"  outline    {seconds:7.1f} s")
    _, seconds, peak_mb = watch.of(lambda: list_frames(folder / "copy.mp4", folder / "frames", duration_s=copy.duration_s))  # fmt: skip
    print(f"  frame list {seconds:7.1f} s, peak {peak_mb:.0f} MB")
    _, seconds, peak_mb = watch.of(lambda: make_thumbnails(folder / "copy.mp4", folder / "strip", duration_s=copy.duration_s))  # fmt: skip
    print(f"  thumbnails {seconds:7.1f} s, peak {peak_mb:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=int, default=30, help="length of the long film")
    options = parser.parse_args()
    av.logging.set_level(None)
    watch = Watch()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "corpus").mkdir()
        corpus(watch, folder / "corpus")
        shutil.rmtree(folder / "corpus")
        short = film(folder / "short.mp4", seconds=20)
        took = [watch.of(lambda: probe(short))[1] for _ in range(5)]
        print(f"looking at 20 s of 1080p: {min(took):.2f} s")
        against_ffmpeg(watch, short, folder)
        long_film(watch, repeated(short, folder / "long.mp4", times=options.minutes * 3), folder)


if __name__ == "__main__":
    main()
