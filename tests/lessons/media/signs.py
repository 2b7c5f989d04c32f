"""Finding the corpus's signs again: corners, frame numbers, flashes and clicks."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

# A click is a rectangle of 0.8, one millisecond long, over a hum of 0.05. Where a millisecond's mean is above this, there is one.
CLICK_LEVEL = 0.3
CLICK_S = 0.001

# The white block of a flash, of 255.
FLASH_LEVEL = 170


@dataclass(slots=True)
class Decoded:
    """A whole clip. Times in seconds of the file, which are those of a browser's player."""

    times: list[float] = field(default_factory=list)
    frames: list[NDArray[np.uint8]] = field(default_factory=list)
    keys: list[float] = field(default_factory=list)
    sound: NDArray[np.float32] | None = None
    rate_hz: int = 0
    start_s: float = 0.0

    @property
    def clicks_s(self) -> list[float]:
        return [] if self.sound is None else clicks_s(self.sound, self.rate_hz, start_s=self.start_s)

    @property
    def flashes_s(self) -> list[float]:
        return firsts_s([at_s for at_s, frame in zip(self.times, self.frames, strict=True) if is_flash(frame)])


def decode(path: Path) -> Decoded:
    """Decode with an opener of its own, so that the product's mistakes are not repeated."""
    found = Decoded()
    sound: list[NDArray[Any]] = []
    with av.open(str(path)) as container:
        for packet in container.demux():
            for frame in packet.decode():
                if isinstance(frame, av.VideoFrame):
                    found.times.append(frame.time)
                    found.frames.append(frame.to_ndarray(format="rgb24"))
                    if frame.key_frame:
                        found.keys.append(frame.time)
                else:
                    if not sound:
                        found.start_s, found.rate_hz = frame.time, frame.sample_rate
                    sound.append(frame.to_ndarray())
    found.sound = np.concatenate(sound, axis=1) if sound else None
    return found


def corners(picture: NDArray[np.uint8]) -> dict[str, NDArray[np.float64]]:
    """Return the mean colour of each corner's patch."""
    height, width = picture.shape[:2]
    dy, dx = height // 5, width // 5
    spots = {"tl": picture[:dy, :dx], "tr": picture[:dy, -dx:], "bl": picture[-dy:, :dx], "br": picture[-dy:, -dx:]}
    # The inner half of each patch: the outer pixels are mixed with their neighbours'.
    return {
        name: spot[dy // 4 : -dy // 4, dx // 4 : -dx // 4].reshape(-1, 3).mean(axis=0) for name, spot in spots.items()
    }


def clicks_s(sound: NDArray[np.float32], rate_hz: int, *, start_s: float = 0.0) -> list[float]:
    """Return when each click begins, in whichever channel it is loudest: where a millisecond holds most of it."""
    length = max(1, round(rate_hz * CLICK_S))
    sums = np.cumsum(np.pad(sound.astype(np.float64), ((0, 0), (1, length))), axis=1)
    level = np.abs(sums[:, length:] - sums[:, :-length]).max(axis=0)[: sound.shape[1]] / length
    loud = np.flatnonzero(level > CLICK_LEVEL)
    groups = np.split(loud, np.flatnonzero(np.diff(loud) > rate_hz // 5) + 1)
    return [float(group[level[group].argmax()] / rate_hz + start_s) for group in groups if group.size]


def firsts_s(times: list[float]) -> list[float]:
    """Return the times that do not follow another within a fifth of a second."""
    return [at_s for n, at_s in enumerate(times) if n == 0 or at_s - times[n - 1] > 0.2]


def number_in(picture: NDArray[np.uint8]) -> int:
    """Return the frame number that is drawn into the test picture as sixteen cells."""
    height, width = picture.shape[:2]
    cell = width / 20
    row = picture[int(height * 0.46)].mean(axis=1)
    return int(sum((row[int((2.5 + bit) * cell)] > 128) << (15 - bit) for bit in range(16)))


def is_flash(picture: NDArray[np.uint8]) -> bool:
    """Say whether the white block of a clap is shown."""
    height, width = picture.shape[:2]
    block = picture[int(height * 0.28) : int(height * 0.32), int(width * 0.45) : int(width * 0.55)]
    return bool(block.mean() > FLASH_LEVEL)
