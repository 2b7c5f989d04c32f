"""A short film as a phone saves it: H.264 and AAC in a .MOV, stored lying down with a turning matrix, with the place in its tags."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from tests.tools.make_clips import picture

RATE_HZ = 44_100
FPS = 30

# Where the film says it was taken. Tests look for these characters.
PLACE = "+48.8584+002.2945/"
MAKER = "Testmaker"

# Half a second each, MIDI pitches: a five-finger pattern up and down.
TUNE_MIDI = (60, 62, 64, 65, 67, 65, 64, 62)
NOTE_S = 0.5


def make_phone_clip(path: Path, *, seconds: float = 3, rotation: int = 90, width: int = 360, height: int = 640) -> Path:
    """Write the film and return its path.

    Parameters
    ----------
    path
        Where to write; the ending should be ``.mov``.
    seconds
        Length.
    rotation
        Degrees clockwise by which the stored picture must be turned: 0, 90, 180 or 270.
    width, height
        Size of the **upright** picture.
    """
    with av.open(str(path), "w", format="mov", options={"movflags": "use_metadata_tags"}) as container:
        container.metadata.update({"location": PLACE, "make": MAKER})
        video = container.add_stream("libx264", rate=FPS, options={"preset": "ultrafast", "crf": "28"})
        video.width, video.height = (height, width) if rotation in (90, 270) else (width, height)
        video.pix_fmt = "yuv420p"
        video.codec_context.gop_size = FPS
        if rotation:
            video.set_display_rotation(-rotation)  # the library counts counter-clockwise
        audio = container.add_stream("aac", rate=RATE_HZ, layout="mono")
        audio.time_base = audio.codec_context.time_base = Fraction(1, RATE_HZ)
        for number in range(round(seconds * FPS)):
            stored = np.ascontiguousarray(np.rot90(picture(width, height, number), k=rotation // 90))
            frame = av.VideoFrame.from_ndarray(stored, "rgb24")
            frame.pts, frame.time_base = number, Fraction(1, FPS)
            container.mux(video.encode(frame))
        sound = tones(seconds=seconds)
        for start in range(0, sound.size, 1024):
            part = av.AudioFrame.from_ndarray(sound[None, start : start + 1024], "fltp", "mono")
            part.sample_rate, part.pts, part.time_base = RATE_HZ, start, Fraction(1, RATE_HZ)
            container.mux(audio.encode(part))
        container.mux(video.encode(None))
        container.mux(audio.encode(None))
    return path


def tones(*, seconds: float, tune_midi: tuple[int, ...] = TUNE_MIDI) -> NDArray[np.float32]:
    """Return struck, decaying tones with six partials, one after the other, peak about 0.5."""
    out = np.zeros(round(seconds * RATE_HZ), np.float32)
    for index in range(int(np.ceil(seconds / NOTE_S))):
        start = round(index * NOTE_S * RATE_HZ)
        t = np.arange(min(round(NOTE_S * RATE_HZ), out.size - start)) / RATE_HZ
        pitch_hz = 440 * 2 ** ((tune_midi[index % len(tune_midi)] - 69) / 12)
        for partial in range(1, 7):
            strength = 0.25 / partial**1.3 * np.exp(-t * (2 + partial)) * np.minimum(1, t / 0.004)
            out[start : start + t.size] += (strength * np.sin(2 * np.pi * pitch_hz * partial * t)).astype(np.float32)
    return out
