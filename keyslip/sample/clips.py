"""Three short clips, made here: a synthesised plucked-string tone and a drawn hand over drawn keys."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

RATE_HZ = 48_000
FRAMES_PER_S = 20
WIDTH_PX, HEIGHT_PX = 640, 360
# Partials of the tone: enough to sound like a struck string, few enough to be quick.
PARTIALS = 8
# White keys drawn, from C4 on, and the pitch of each.
WHITE_PITCHES = (60, 62, 64, 65, 67, 69, 71, 72)


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """A note of a synthesised clip: onset and length in seconds, MIDI pitch, level in decibels below full scale."""

    onset_s: float
    length_s: float
    pitch_midi: int
    level_db: float = -16.0


# The tune that is played, of our own making, as it is typed in two-four time, and the keys of its eighths; the last is a half note.
TUNE = "CDEF|GFED|CDEF|GFED|CDEF|GFED|CEGE|C4|"
TUNE_PITCHES = (60, 62, 64, 65, 67, 65, 64, 62) * 3 + (60, 64, 67, 64, 60)


def tune_notes(
    *,
    bpm: float,
    loud_thumb_db: float = 0.0,
    late_s: Sequence[float] = (),
    wrong: Mapping[int, int] | None = None,
    stop_before: int | None = None,
) -> list[PlayedNote]:
    """Return the tune at `bpm`: a thumb louder by `loud_thumb_db`, delays `late_s`, other keys for some notes, a stop before one."""
    step_s = 30.0 / bpm
    return [
        PlayedNote(
            onset_s=0.6
            + number * step_s
            + (late_s[number % len(late_s)] if late_s else 0.0)
            + (2.5 * step_s if stop_before is not None and number >= stop_before else 0.0),
            length_s=step_s * (4 if number == len(TUNE_PITCHES) - 1 else 1),
            pitch_midi=(wrong or {}).get(number, pitch),
            level_db=-16.0 + (loud_thumb_db if pitch == 60 else 0.0),
        )
        for number, pitch in enumerate(TUNE_PITCHES)
    ]


def write_clip(path: Path, notes: Sequence[PlayedNote]) -> None:
    """Write an MP4 of the notes: drawn keys with a hand, and the sound. `notes` in order of onset, not empty."""
    length_s = max(note.onset_s + note.length_s for note in notes) + 0.8
    with av.open(str(path), "w", format="mp4") as container:
        picture = container.add_stream("libx264", rate=FRAMES_PER_S)
        picture.width, picture.height, picture.pix_fmt = WIDTH_PX, HEIGHT_PX, "yuv420p"
        picture.options = {"preset": "veryfast", "crf": "24"}
        sound = container.add_stream("aac", rate=RATE_HZ, layout="mono")
        for number in range(int(length_s * FRAMES_PER_S)):
            frame = av.VideoFrame.from_ndarray(np.asarray(_draw(notes, at_s=number / FRAMES_PER_S)), format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, FRAMES_PER_S)
            container.mux(picture.encode(frame))
        container.mux(picture.encode(None))
        samples = _sound(notes, length_s=length_s)
        for start in range(0, len(samples), 1024):
            block = samples[start : start + 1024]
            audio = av.AudioFrame.from_ndarray(block[np.newaxis, :], format="fltp", layout="mono")
            audio.sample_rate, audio.pts, audio.time_base = RATE_HZ, start, Fraction(1, RATE_HZ)
            container.mux(sound.encode(audio))
        container.mux(sound.encode(None))


def _sound(notes: Sequence[PlayedNote], *, length_s: float) -> NDArray[np.float32]:
    samples = np.zeros(int(length_s * RATE_HZ), dtype=np.float64)
    for note in notes:
        rings_s = note.length_s + 0.25
        time_s = np.arange(int(rings_s * RATE_HZ)) / RATE_HZ
        pitch_hz = 440.0 * 2 ** ((note.pitch_midi - 69) / 12)
        tone = sum(
            np.sin(2 * np.pi * pitch_hz * partial * time_s) * np.exp(-time_s * (1.5 + 1.1 * partial)) / partial**1.3
            for partial in range(1, PARTIALS + 1)
        )
        release = np.clip((rings_s - time_s) / 0.2, 0.0, 1.0) * np.clip(time_s / 0.003, 0.0, 1.0)
        begin = int(note.onset_s * RATE_HZ)
        stretch = samples[begin : begin + len(time_s)]
        stretch += (tone * release * 10 ** (note.level_db / 20))[: len(stretch)]
    room = np.random.default_rng(3).normal(0.0, 10 ** (-66 / 20), len(samples))
    return np.clip(samples + room, -0.98, 0.98).astype(np.float32)


def _draw(notes: Sequence[PlayedNote], *, at_s: float) -> Image.Image:
    image = Image.new("RGB", (WIDTH_PX, HEIGHT_PX), (92, 84, 74))
    draw = ImageDraw.Draw(image)
    key_px = WIDTH_PX / len(WHITE_PITCHES)
    sounding = {note.pitch_midi for note in notes if note.onset_s <= at_s < note.onset_s + note.length_s * 0.9}
    for place, pitch in enumerate(WHITE_PITCHES):
        down_px = 5 if pitch in sounding else 0
        left = place * key_px
        draw.rectangle((left + 1, 120 + down_px, left + key_px - 2, HEIGHT_PX), fill=(236, 232, 222))
    for place in (0, 1, 3, 4, 5):
        left = (place + 0.68) * key_px
        draw.rectangle((left, 120, left + key_px * 0.62, 238), fill=(34, 33, 32))
    skin, edge = (203, 164, 138), (150, 112, 90)
    for place, pitch in enumerate(WHITE_PITCHES[:5]):
        tip_y = 262 + (8 if pitch in sounding else 0) + (26 if place == 0 else 0)
        centre = (place + 0.5) * key_px
        knuckle = 2.5 * key_px + (place - 2) * 44
        draw.line((centre, tip_y, knuckle, 352), fill=edge, width=40)
        draw.line((centre, tip_y, knuckle, 352), fill=skin, width=36)
        draw.ellipse((centre - 18, tip_y - 18, centre + 18, tip_y + 18), fill=skin, outline=edge)
    draw.ellipse((2.5 * key_px - 130, 318, 2.5 * key_px + 130, 470), fill=skin, outline=edge)
    return image
