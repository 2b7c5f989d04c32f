"""Two other listeners, for comparison on the same takes: a published small net, and the plainest detector of onsets.

The net is Basic Pitch (Bittner et al., ICASSP 2022), of which only the ONNX file is used (`nmp.onnx` of the Python package
`basic-pitch` 0.4.0); what follows it is our own: peaks of its onset output from 0.7 on, the value that did best on our takes.
"""

from pathlib import Path

import numpy as np
import onnxruntime
from numpy.typing import NDArray

Sound = NDArray[np.float32]

RATE_HZ = 22_050
WINDOW, OVERLAP, HOP = 43_844, 7_680, 256  # samples: what the net takes at once, shared by two such, one frame
LOWEST_MIDI = 21
EDGE = 15  # frames on both sides of a window that are not believed
THRESHOLD = 0.7


class SmallNet:
    """Strikes by the published net."""

    def __init__(self, model: Path) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        self.session = onnxruntime.InferenceSession(str(model), options, providers=["CPUExecutionProvider"])
        self.input = self.session.get_inputs()[0].name

    def strikes(self, sound: Sound) -> list[tuple[float, int]]:
        """(seconds, MIDI number) of every strike in sound at 22,050 Hz."""
        step = WINDOW - OVERLAP
        padded = np.concatenate([np.zeros(OVERLAP // 2, np.float32), sound, np.zeros(WINDOW, np.float32)])
        found = []
        for start in range(0, len(sound) + OVERLAP // 2, step):
            part = padded[start : start + WINDOW]
            onset = self.session.run(["StatefulPartitionedCall:2"], {self.input: part[None, :, None]})[0][0]
            for frame in range(EDGE, len(onset) - EDGE):
                here = onset[frame]
                peak = (here >= THRESHOLD) & (here >= onset[frame - 1]) & (here > onset[frame + 1])
                at_s = (start - OVERLAP // 2 + frame * HOP) / RATE_HZ
                found += [(at_s, LOWEST_MIDI + int(key)) for key in np.flatnonzero(peak)]
        found.sort()
        kept: list[tuple[float, int]] = []
        last: dict[int, float] = {}
        for at_s, pitch in found:  # a frame that two windows share is found twice
            if at_s - last.get(pitch, -1.0) > 0.035:
                kept.append((at_s, pitch))
                last[pitch] = at_s
        return kept


def flux_onsets(sound: Sound, *, rate_hz: int) -> NDArray[np.float64]:
    """Moments at which something begins: peaks of the rectified rise of a log spectrum, 10 ms apart."""
    hop, window = rate_hz // 100, 1024
    padded = np.pad(sound, (window // 2, window))
    frames = np.lib.stride_tricks.sliding_window_view(padded, window)[::hop]
    loud = np.log1p(100 * np.abs(np.fft.rfft(frames * np.hanning(window).astype(np.float32), axis=1)))
    rise = np.maximum(np.diff(loud, axis=0), 0).sum(axis=1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(rise, 10, mode="edge"), 21)
    bar = np.median(around, axis=1) + 0.15 * np.percentile(rise, 99)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(rise, 3, mode="edge"), 7).max(axis=1)
    return (np.flatnonzero((rise > bar) & (rise == near)) + 1) * hop / rate_hz
