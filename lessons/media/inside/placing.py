"""Where on the stored time line a stretch of sound belongs, and its change to one kind of samples."""

import av
from av.audio.frame import AudioFrame

# Gap or overlap, seconds, from which sound is put where its own time says, instead of behind what came before. Containers round times by
# up to a millisecond and recorders jitter by a few; the smallest stretch that phones and browsers lose is one frame of 20 ms.
SOUND_GAP_S = 0.015

# Longest silence put in for one gap, seconds. A time stamp that jumps by more is taken for a broken clock, and closed up.
MAX_SILENCE_S = 60.0

# Longest gap behind a track's very first stretch that is closed up instead, seconds. Recordings in fragments without an edit list put
# the encoder's empty first frame too early (45 ms were seen); players count on from its time, and so do we.
FIRST_GAP_S = 0.1


class Placer:
    """Follows a sound track and tells gaps and overlaps from rounding."""

    def __init__(self) -> None:
        """Begin without any sound."""
        self._due_s: float | None = None
        self._shift_s = 0.0
        self._stretches = 0

    def place(self, at_s: float, length_s: float) -> float:
        """Take in a stretch of sound and return how far it lies from the end of the one before.

        Parameters
        ----------
        at_s, length_s
            Its own time and its length, seconds.

        Returns
        -------
        float
            Seconds of silence that belong in front of it; negative: seconds of it that lie over what came before; 0: it follows on.
        """
        if self._due_s is None:
            self._due_s = at_s
        ahead_s = at_s - self._shift_s - self._due_s
        if abs(ahead_s) > MAX_SILENCE_S or (self._stretches == 1 and 0 < ahead_s <= FIRST_GAP_S):
            self._shift_s += ahead_s  # from here on the clock counts from elsewhere
            ahead_s = 0.0
        elif abs(ahead_s) <= SOUND_GAP_S:
            ahead_s = 0.0
        self._due_s += ahead_s + length_s
        self._stretches += 1
        return ahead_s


class Converter:
    """Sound of any kind in, sound of one kind out, also where the kind changes half-way, as some recorders do."""

    def __init__(self, *, format_name: str, layout: str, rate_hz: int) -> None:
        """Give out samples of this kind."""
        self._wanted = (format_name, layout, rate_hz)
        self._kind: tuple[str, str, int] | None = None
        self._resampler: av.AudioResampler | None = None

    def convert(self, frame: AudioFrame) -> list[AudioFrame]:
        """Return what can be given out after this frame."""
        kind = (frame.format.name, frame.layout.name, frame.sample_rate)
        parts = self.flush() if self._kind not in (None, kind) else []
        if self._resampler is None:
            format_name, layout, rate_hz = self._wanted
            # Without the cap, mixing six channels to two goes far over full scale (a peak of 2.96 was measured).
            self._resampler = av.AudioResampler(
                format=format_name, layout=layout, rate=rate_hz, options={"rematrix_maxval": "1.0"}
            )
            self._kind = kind
        frame.pts = None
        return parts + self._resampler.resample(frame)

    def flush(self) -> list[AudioFrame]:
        """Return what is left, and begin anew."""
        parts = [] if self._resampler is None else self._resampler.resample(None)
        self._resampler = self._kind = None
        return parts
