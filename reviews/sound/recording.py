"""What the recording itself is like, apart from what was played: how far it can be believed, and what else is in it.

Every fact is measured from the sound, and each has a form for “cannot tell” (None). Nothing here judges the playing.

How each is found, in words
---------------------------
- *Noise*: each of 40 bands is looked at twenty times a second; what the quietest tenth of its moments holds is noise, for hardly a
  band is filled by music all the time. The sum over the bands is the noise. Loud moments are those that one moment in twenty passes;
  their distance from the noise is the signal-to-noise ratio.
- *Clipping*: the higher a value, the more rarely playing reaches it. Where the peaks of all hundredths of a second crowd just
  below the highest one, and that near full scale, the tops were cut off. What was cut before the file was turned down is not seen.
- *Dying away*: where the sound of a band falls steadily for a fifth of a second, the time it would need for 60 dB. The quickest such falls come
  from keys let go, and are the room and the dampers together: an upper bound for the room's reverberation.
- *Automatic gain*: a struck string only fades. Where a stretch without a new strike grows louder as a whole, or where the noise
  before the first strike is well above the noise within the playing, something turned the level up.
- *Metronome*: short noises, gone within a twentieth of a second, that come more regularly than any hand plays (2 ms).
- *Talk*: a tone whose pitch glides, as a voice's does and no piano's. A string's partials stand still; what stands still for a tenth of a
  second is taken out of the spectrum first, so that a voice is found under playing as well.
- *Tuning*: for each sure note, how far its lowest partials lie from where equal temperament at A = 440 Hz puts them.

A worked example: a phone records five minutes at SNR 35 dB with a metronome at 72. The description says so, gives the times of the
clicks, and whoever pairs notes leaves out what was "heard" at those times with low confidence.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lessons.media.samples import let_go, mix_weights
from reviews.sound.errors import UnusableSoundError
from reviews.sound.heard import HeardNote
from reviews.sound.listener import RATE_HZ

Floats = NDArray[np.float64]
Part = Callable[[int, int], NDArray[np.float32]]

BLOCK_S = 10.0  # s read at once; a whole number of every hop below

# Bands: 40 between 60 Hz and 7.8 kHz, one moment every 50 ms, through windows of 128 ms.
BANDS, LOWEST_HZ, HIGHEST_HZ = 40, 60.0, 7800.0
BAND_WINDOW, BAND_HOP = 2048, 800
QUIET_FRAC = 0.1  # share of moments of a band that hold nothing but noise
# Power of noise over what the quietest tenth of its moments shows, decibels; measured on white noise in bands of this width.
QUIET_BIAS_DB = 1.2
LOUD_PERCENTILE = 95  # as for the listener's gain
# dB re full scale below which nothing was recorded: a phone's own noise lies near -70, the steps of 16 bits at -98.
NOTHING_DB = -80.0
HEARD_DB = 6.0  # dB above the noise from which a moment holds sound
LOWEST_NOISE_DB = -98.0  # dB re full scale: below the steps of 16 bits

# Clipping: the highest value of each 10 ms, and how many of those crowd just below the highest of all.
PEAK_HOP = 160
TOP_PERCENTILE = 99.5  # of these peaks; the few above it are what codecs and rates add to a cut top
TOP_DB = 1.2  # dB below that, in which cut tops crowd; compared with as wide a range 2.8 to 4.2 dB below
CROWD_RATIO = 1.2  # measured 0.1 to 0.5 without clipping and 1.9 to 4.2 with 6 dB of it, behind a codec
FULL_DB = -3.0  # dB re full scale that the tops must reach: an even tone far below full scale crowds as well
SOUNDING_DB = 20.0  # dB below the top from which a moment counts as playing

# Dying away.
FALL_MOMENTS = 5  # moments of 50 ms over which a fall is looked at
FALL_LEAST_DB = 10.0  # dB that it must fall in that time
FALL_BEND_DB = 1.5  # dB by which it may leave a straight line
FALLS_LEAST = 20  # falls from which anything is said

# Automatic gain.
AFTER_STRIKE_S, BEFORE_STRIKE_S = 0.25, 0.05
GROWS_DB = 1.5  # dB that a stretch without strikes must grow
# dB by which the noise before the first strike may pass the noise within the playing, in the bands that playing hardly reaches.
# Measured on rendered phones: -1 to 1 without, 8 to 20 with automatic gain.
LEAD_IN_DB = 4.0
LEAD_IN_MOMENTS, HIGH_BANDS = 5, 6
STRETCHES_LEAST = 3

# Metronome.
CLICK_WINDOW, CLICK_HOP = 256, 40  # 16 ms, 2.5 ms
CLICK_BANDS = 20
CLICK_GONE_S = 0.05  # s after which a click's band is quiet again
CLICK_TOP_BANDS = 5  # that show it best: a click may be a tone as well as a knock
# Mean over these of the smaller of rise and fall, dB. Measured under phones: nine of ten clicks at 0.1 of full scale reach 8 to 20,
# one strike of a key in twenty passes 9.
CLICK_LEAST_DB = 7.0
CLICKS_LEAST = 8
SLOWEST_BPM, FASTEST_BPM = 30.0, 250.0
CLICK_APART_S = 0.012  # s by which one click may miss the place that the two before it promise
CLICK_JITTER_S = 0.002  # s; hands reach 8 ms at best
MISSED_CLICKS = 3  # in a row that may be covered by playing
# Shares of all clicks between the first and the last that must be found: clear ones, and with those that playing half covers.
CLICKS_CLEAR_FRAC, CLICKS_FOUND_FRAC = 0.5, 0.7
CHAIN_FRAC = 0.7  # of the longest chain that another one must reach
CLICK_FAINT_DB, CLICK_FAINT_S = 4.5, 0.006  # dB that a half-covered one reaches, within so many seconds of its place
# A note that falls like a click: spectra of 64 ms around 15 to 30 ms and 100 ms after the strike. Measured under phones at clicks of 2 kHz: what
# the net heard in clicks falls by 6 dB or more in 92 of 100, notes struck within 10 ms of a click in 1 or 2.
GONE_WINDOW, GONE_REACH_CENTS, GONE_DB = 1024, 60.0, 6.0
GONE_LOWEST_MIDI = 76

# Talk. Spectra of 64 ms every 20 ms; pitches tried between 75 and 340 Hz.
VOICE_WINDOW, VOICE_HOP, VOICE_FFT = 1024, 320, 2048
VOICE_HIGHEST_HZ = 2800.0  # harmonics above it are left to consonants
VOICE_STEP_CENTS = 30
VOICE_PITCHES_HZ = 75.0 * 2 ** (np.arange(88) * VOICE_STEP_CENTS / 1200)
# Moments on either side over whose median a partial stands still, and how often that is taken off: a voice crosses a bin faster.
LINE_MOMENTS, LINE_TIMES = 4, 1.5
# Least height of the comb of harmonics over the mean of the spectrum, both as roots of magnitudes. Playing beside a voice and playing alone
# both reach 0.4 to 0.6 half the time; it is the glide that tells them apart, this only leaves out what is no tone.
VOICED = 0.45
GLIDE_MOMENTS = 5  # of 20 ms
# Cents over a glide at least, and in one of its steps at most. With 90 and 120, 12 s of talk 6 dB under playing show 4 to 16 glides, and 90
# minutes of rendered playing without talk none.
GLIDE_CENTS, GLIDE_STEP_CENTS = 90.0, 120.0
# s around a strike in which a glide is no sign of a voice, and the confidence of strikes that count: a voice feigns lesser ones.
STRIKE_BEFORE_S, STRIKE_AFTER_S = 0.05, 0.08
STRUCK_FROM = 0.9
TALK_REACH_S = 0.5  # s around a glide that count as talk: consonants and steady vowels
TALK_PAUSE_S = 4.0  # s between two glides that somebody who talks may leave: what lies between counts as talk too
TALK_LEAST_FRAC = 0.02

# Tuning.
SURE = 0.5
TUNING_WINDOW, TUNING_FFT = 4096, 16384
TUNING_START_S = 0.05  # s after the strike, when the hammer's noise is gone
TUNING_PARTIALS = 3
TUNING_LOW_MIDI, TUNING_HIGH_MIDI = 45, 88
TUNING_NOTES_LEAST, TUNING_NOTES_MOST = 8, 400
TUNING_REACH_CENTS = 60.0
TUNING_SD_CENTS = 8.0  # robust SD from which the instrument has no one tuning to be told


@dataclass(frozen=True, slots=True)
class Recording:
    """Facts about a recording.

    Parameters
    ----------
    duration_s
        Length, seconds.
    channels
        Number of channels in the file.
    used_channels
        How many of them carry the sound that was listened to.
    peak_db
        Highest value of any channel, decibels re full scale; -120 for digital silence.
    noise_db
        RMS of the noise, decibels re full scale; None without half a second of sound.
    snr_db
        Loud moments above the noise, decibels; None for silence.
    clipped_frac
        Share of the sounding hundredths of a second, 0 to 1, whose tops were cut off; 0.0 where none seem cut.
    decay_s
        Seconds in which the sound of keys let go falls by 60 dB: room and dampers together; None where too few falls are heard.
    has_gain_control
        Whether something turned the level up or down; None where there was no occasion to tell.
    tuning_cents
        Median distance from equal temperament at A = 440 Hz, cents, -60 to 60; None under eight sure notes, or without one tuning.
    click_bpm
        Clicks a minute of a running metronome; None without one.
    click_times_s
        When it clicked, seconds, rising.
    speech_frac
        Share of the time, 0 to 1, in which somebody talks; 0.0 where it is under 0.02.
    talk_s
        From when to when somebody talks, pairs of seconds, rising; under playing as well. Empty where nobody does.
    silent_frac
        Share of the time, 0 to 1, in which nothing stands out from the noise.
    """

    duration_s: float
    channels: int
    used_channels: int
    peak_db: float
    noise_db: float | None = None
    snr_db: float | None = None
    clipped_frac: float = 0.0
    decay_s: float | None = None
    has_gain_control: bool | None = None
    tuning_cents: float | None = None
    click_bpm: float | None = None
    click_times_s: tuple[float, ...] = ()
    speech_frac: float = 0.0
    talk_s: tuple[tuple[float, float], ...] = ()
    silent_frac: float = 1.0

    @property
    def is_silent(self) -> bool:
        """Whether nothing was recorded at all."""
        return self.snr_db is None


def describe(
    samples: NDArray[np.float32],
    *,
    names: Sequence[str] | None = None,
    notes: Sequence[HeardNote] = (),
    on_progress: Callable[[float], None] | None = None,
) -> Recording:
    """Return what a recording is like, in memory that hardly grows with its length (15 MB an hour).

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n)
        32-bit floats at 16 kHz, as for `reviews.sound.hearing.hear`; may be a view of a file, it is read in pieces.
    names : sequence of str, optional
        Names of the channels.
    notes : sequence of HeardNote
        What was heard in it. Without notes there is no tuning, and less is known of gain and clicks.
    on_progress : callable, optional
        Called with the share that is done, 0 to 1.

    Returns
    -------
    Recording
        For no samples: a duration of 0 and nothing else.

    Raises
    ------
    UnusableSoundError
        If the array has another shape, or holds numbers that are none.

    Examples
    --------
    >>> tone = 0.1 * np.sin(np.arange(32_000) / 5).astype(np.float32)
    >>> facts = describe(np.stack([tone, tone * 0]))
    >>> facts.duration_s, facts.channels, facts.used_channels, round(facts.peak_db)
    (2.0, 2, 1, -20)
    """
    if samples.ndim != 2 or not len(samples):
        raise UnusableSoundError(f"Sound of shape {samples.shape} given, (n_channels, n) wanted.")
    tell = on_progress or (lambda _: None)
    count = samples.shape[1]
    if not count:
        return Recording(duration_s=0.0, channels=len(samples), used_channels=0, peak_db=-120.0)
    with np.errstate(all="ignore"):  # numbers that are none are named below, with their place
        weights = mix_weights(samples, names=names)
    if not np.any(weights) or not np.all(np.isfinite(weights)):
        weights = np.full(len(samples), 1 / len(samples))
    gathered = _Gathered(samples, weights)
    for share in gathered.read():
        tell(0.9 * share)
    duration_s = count / RATE_HZ
    clicks_s, bpm = _metronome(gathered.click_db(), notes, gathered.part)
    facts = gathered.levels()
    tell(0.95)
    if facts.snr_db is None:
        return Recording(
            duration_s=duration_s,
            channels=len(samples),
            used_channels=int(np.count_nonzero(weights)),
            peak_db=gathered.peak_db(),
            noise_db=facts.noise_db,
        )
    tuning_cents = _tuning_cents(gathered.part, notes)
    talk_s = _talk(gathered.voice(), notes, duration_s=duration_s)
    tell(1.0)
    return Recording(
        duration_s=duration_s,
        channels=len(samples),
        used_channels=int(np.count_nonzero(weights)),
        peak_db=gathered.peak_db(),
        noise_db=facts.noise_db,
        snr_db=facts.snr_db,
        clipped_frac=gathered.clipped_frac(),
        decay_s=_decay_s(facts),
        has_gain_control=_gain_control(facts, notes, duration_s=duration_s),
        tuning_cents=tuning_cents,
        click_bpm=bpm,
        click_times_s=clicks_s,
        speech_frac=sum(stop_s - start_s for start_s, stop_s in talk_s) / duration_s,
        talk_s=talk_s,
        silent_frac=float(np.mean(facts.total_db < facts.noise_db + HEARD_DB)) if facts.noise_db is not None else 0.0,
    )


@dataclass(frozen=True, slots=True)
class _Levels:
    """Band levels of each moment, shape (n, 40), decibels re full scale, and what follows from them at once."""

    bands_db: Floats
    total_db: Floats
    floor_db: Floats
    noise_db: float | None
    snr_db: float | None


class _Gathered:
    """What one reading of the sound leaves behind."""

    def __init__(self, samples: NDArray[np.float32], weights: Floats) -> None:
        self.samples, self.weights = samples, weights.astype(np.float32)
        self.used = np.flatnonzero(weights)
        self.peaks: list[NDArray[np.float32]] = []
        self.peak = 0.0
        self.bands: list[NDArray[np.float32]] = []
        self.clicks: list[NDArray[np.float32]] = []
        self.voices: list[NDArray[np.float32]] = []

    def part(self, start: int, stop: int) -> NDArray[np.float32]:
        """Mixed samples from `start` to before `stop`; zeros outside the recording."""
        low, high = max(start, 0), max(min(stop, self.samples.shape[1]), 0)
        mixed = self.weights[self.used] @ np.asarray(self.samples[self.used, low : max(high, low)], np.float32)
        return np.pad(mixed, (min(low - start, stop - start), max(stop - max(high, start), 0)))[: stop - start]

    def read(self) -> Iterator[float]:
        """Go through the sound once; yields the share that is done."""
        step, count = int(BLOCK_S * RATE_HZ), self.samples.shape[1]
        for start in range(0, count, step):
            stop = min(start + step, count)
            raw = np.abs(np.asarray(self.samples[self.used, start:stop], np.float32))
            if not np.all(np.isfinite(raw)):
                raise UnusableSoundError(
                    f"Sound between {start / RATE_HZ:.0f} and {stop / RATE_HZ:.0f} s holds numbers that are none."
                )
            self.peak = max(self.peak, float(raw.max(initial=0.0)))
            loudest = np.pad(raw.max(axis=0), (0, -(stop - start) % PEAK_HOP))
            self.peaks.append(loudest.reshape(-1, PEAK_HOP).max(axis=1))
            self.bands.append(self._bands(start, stop))
            self.clicks.append(self._clicks(start, stop))
            self.voices.append(self._voice(start, stop))
            if start // step % 8 == 7:  # a map that is read through grows by what was read
                let_go(self.samples)
            yield stop / count

    def _frames(self, start: int, stop: int, *, window: int, hop: int, ahead: int = 0) -> NDArray[np.float32]:
        """Windows centred on every hop from `start` to before `stop`, and `ahead` more on either side; shape (n, window)."""
        count = -(-(stop - start) // hop) + 2 * ahead
        first = start - ahead * hop - window // 2
        part = self.part(first, first + (count - 1) * hop + window)
        view: NDArray[np.float32] = np.lib.stride_tricks.sliding_window_view(part, window)[::hop]
        return view

    def _bands(self, start: int, stop: int) -> NDArray[np.float32]:
        frames = self._frames(start, stop, window=BAND_WINDOW, hop=BAND_HOP)
        window = np.hanning(BAND_WINDOW).astype(np.float32)
        power = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2 * (2 / (BAND_WINDOW * np.sum(window**2)))
        hz = np.fft.rfftfreq(BAND_WINDOW, 1 / RATE_HZ)
        edges = np.searchsorted(hz, np.geomspace(LOWEST_HZ, HIGHEST_HZ, BANDS + 1))
        edges = np.maximum.accumulate(np.maximum(edges, edges[0] + np.arange(BANDS + 1)))
        return np.add.reduceat(power[:, : edges[-1]], edges[:-1], axis=1).astype(np.float32)

    def _clicks(self, start: int, stop: int) -> NDArray[np.float32]:
        gone = int(CLICK_GONE_S * RATE_HZ) // CLICK_HOP
        back = CLICK_WINDOW // CLICK_HOP + 1  # hops after which a window shares nothing with the one before
        frames = self._frames(start, stop, window=CLICK_WINDOW, hop=CLICK_HOP, ahead=gone)
        window = np.hanning(CLICK_WINDOW).astype(np.float32)
        power = np.abs(np.fft.rfft(frames * window, axis=1)[:, 8:]) ** 2  # from 500 Hz
        edges = np.unique(np.round(np.geomspace(1, power.shape[1], CLICK_BANDS + 1)).astype(int) - 1)
        level_db = 10 * np.log10(np.add.reduceat(power, edges[:-1], axis=1) + 1e-7)
        here = level_db[gone : len(level_db) - gone]
        rise = here - level_db[gone - back : len(level_db) - gone - back]
        fall = here - level_db[2 * gone :]
        short = np.sort(np.clip(np.minimum(rise, fall), 0, 30), axis=1)[:, -CLICK_TOP_BANDS:]
        return np.asarray(short.mean(axis=1), np.float32)

    def _voice(self, start: int, stop: int) -> NDArray[np.float32]:
        """The best pitch of each moment and the height of its comb, shape (n, 2), in what does not stand still."""
        frames = self._frames(start, stop, window=VOICE_WINDOW, hop=VOICE_HOP, ahead=LINE_MOMENTS)
        hz_a_bin = RATE_HZ / VOICE_FFT
        bins = int(VOICE_HIGHEST_HZ / hz_a_bin) + 2
        window = np.hanning(VOICE_WINDOW).astype(np.float32)
        magnitude = np.abs(np.fft.rfft(frames * window, VOICE_FFT, axis=1)[:, :bins]).astype(np.float32)
        count = len(magnitude) - 2 * LINE_MOMENTS
        near = np.stack([magnitude[i : i + count] for i in range(2 * LINE_MOMENTS + 1)])
        here = magnitude[LINE_MOMENTS : LINE_MOMENTS + count]
        lines = np.partition(near, LINE_MOMENTS, axis=0)[LINE_MOMENTS]
        moving = np.sqrt(np.maximum(here - LINE_TIMES * lines, 0))
        combs = np.empty((count, len(VOICE_PITCHES_HZ)), np.float32)
        for i, pitch_hz in enumerate(VOICE_PITCHES_HZ):
            k = np.arange(1, int(VOICE_HIGHEST_HZ / pitch_hz) + 1)
            on, between = (np.round(place * pitch_hz / hz_a_bin).astype(int) for place in (k, k - 0.5))
            combs[:, i] = (moving[:, on] - moving[:, between]).mean(axis=1) * np.sqrt(len(k))
        best = combs.argmax(axis=1)
        height = combs.max(axis=1) / (np.sqrt(here).mean(axis=1) + 1e-6)
        return np.stack([best.astype(np.float32), height.astype(np.float32)], axis=1)

    def peak_db(self) -> float:
        return float(20 * np.log10(max(self.peak, 1e-6)))

    def click_db(self) -> NDArray[np.float32]:
        return np.concatenate(self.clicks)

    def voice(self) -> NDArray[np.float32]:
        return np.concatenate(self.voices)

    def levels(self) -> _Levels:
        power = np.concatenate(self.bands).astype(np.float64)
        bands_db, total_db = 10 * np.log10(power + 1e-14), 10 * np.log10(power.sum(axis=1) + 1e-14)
        floor_db = np.percentile(bands_db, 100 * QUIET_FRAC, axis=0) + QUIET_BIAS_DB
        loud_db = float(np.percentile(total_db, LOUD_PERCENTILE))
        noise_db = float(10 * np.log10(np.sum(10 ** (floor_db / 10)))) if len(power) >= 10 else None
        noise_db = max(noise_db, LOWEST_NOISE_DB) if noise_db is not None else None
        heard = noise_db is not None and loud_db > NOTHING_DB
        return _Levels(
            bands_db, total_db, floor_db, noise_db, loud_db - noise_db if heard and noise_db is not None else None
        )

    def clipped_frac(self) -> float:
        peaks_db = 20 * np.log10(np.concatenate(self.peaks).astype(np.float64) + 1e-6)
        top_db = float(np.percentile(peaks_db, TOP_PERCENTILE))
        if top_db < FULL_DB:
            return 0.0
        below_db = top_db - peaks_db
        crowd, sparse = (int(np.sum(np.abs(below_db - middle) < TOP_DB / 2)) for middle in (TOP_DB / 2, 3.5))
        if crowd < max(CROWD_RATIO * sparse, 10):
            return 0.0
        return float(np.sum(below_db < TOP_DB) / np.sum(below_db < SOUNDING_DB))


def _decay_s(facts: _Levels) -> float | None:
    """The quickest tenth of all steady falls, as seconds for 60 dB."""
    bands = facts.bands_db
    if len(bands) <= FALL_MOMENTS:
        return None
    view = np.lib.stride_tricks.sliding_window_view(bands, FALL_MOMENTS, axis=0)
    steps = np.arange(FALL_MOMENTS) - (FALL_MOMENTS - 1) / 2
    slope = view @ steps / np.sum(steps**2)
    bend = np.abs(view - view.mean(axis=2, keepdims=True) - slope[..., None] * steps).max(axis=2)
    clear = view[..., -1] > facts.floor_db + HEARD_DB
    good = clear & (bend < FALL_BEND_DB) & (slope * (FALL_MOMENTS - 1) < -FALL_LEAST_DB)
    falls = slope[good]
    if len(falls) < FALLS_LEAST:
        return None
    seconds = 60 * BAND_HOP / RATE_HZ / -falls
    return float(np.percentile(seconds, 10))


def _gain_control(facts: _Levels, notes: Sequence[HeardNote], *, duration_s: float) -> bool | None:
    strikes_s = np.sort([note.onset_s for note in notes])
    if not len(strikes_s):
        return None
    hop_s = BAND_HOP / RATE_HZ
    times_s = np.arange(len(facts.total_db)) * hop_s
    high_db = facts.bands_db[:, -HIGH_BANDS:]
    lead_in = high_db[(times_s > 0.2) & (times_s < strikes_s[0] - 0.2)]
    within = high_db[(times_s > strikes_s[0]) & (times_s < strikes_s[-1])]
    told = len(lead_in) >= LEAD_IN_MOMENTS and len(within) >= 10 * LEAD_IN_MOMENTS
    if told:
        before, during = (np.percentile(part, 100 * QUIET_FRAC, axis=0) for part in (lead_in, within))
        # What digital silence gains is not a gain.
        if float(np.median(np.maximum(before, LOWEST_NOISE_DB) - np.maximum(during, LOWEST_NOISE_DB))) > LEAD_IN_DB:
            return True
    grown = stretches = 0
    for start_s, stop_s in zip(strikes_s, [*strikes_s[1:], duration_s], strict=True):
        inside = facts.total_db[(times_s > start_s + AFTER_STRIKE_S) & (times_s < stop_s - BEFORE_STRIKE_S - 0.064)]
        if len(inside) >= 5:
            stretches += 1
            grown += bool(np.median(inside[-3:]) - inside.min() > GROWS_DB and np.argmin(inside) < len(inside) - 3)
    if stretches >= STRETCHES_LEAST:
        told = True
        if grown >= max(2, 0.3 * stretches):
            return True
    return False if told else None


def _metronome(
    click_db: NDArray[np.float32], notes: Sequence[HeardNote], part: Part
) -> tuple[tuple[float, ...], float | None]:
    """The longest chain of short noises in regular steps."""
    hop_s = CLICK_HOP / RATE_HZ
    middle = click_db[1:-1]
    peaks = 1 + np.flatnonzero((middle >= CLICK_LEAST_DB) & (middle >= click_db[:-2]) & (middle > click_db[2:]))
    if len(peaks) < CLICKS_LEAST:
        return (), None
    before, here, after = (click_db[peaks + i].astype(np.float64) for i in (-1, 0, 1))
    bend = before - 2 * here + after
    times_s = (peaks + np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1), 0)) * hop_s
    keep = np.concatenate([[True], np.diff(times_s) > 0.03])
    times_s, here = times_s[keep], here[keep]
    chains: set[tuple[float, ...]] = set()
    for seed in np.argsort(-here)[:30]:
        for other in np.flatnonzero(np.abs(times_s - times_s[seed]) < 60 / SLOWEST_BPM + 0.01):
            step_s = abs(float(times_s[other] - times_s[seed]))
            if step_s >= 60 / FASTEST_BPM - 0.005:
                chains.add(_chain(times_s, at_s=float(times_s[seed]), step_s=step_s))
    # The longest may be the clicks and, between them, strikes that fall in by chance; those hardly ever make a regular chain.
    longest = max(map(len, chains), default=0)
    for chain in sorted(chains, key=lambda chain: (-len(chain), chain)):
        if len(chain) < max(CLICKS_LEAST, CHAIN_FRAC * longest):
            break
        clicks = _clicks_of(np.array(chain), click_db)
        if clicks and not _is_playing(np.array(chain), notes, part):
            return clicks
    return (), None


def _clicks_of(chain_s: Floats, click_db: NDArray[np.float32]) -> tuple[tuple[float, ...], float] | None:
    """Clicks and tempo where a chain is regular enough and few of its places are empty."""
    rough = float(np.median(np.diff(chain_s)))
    number = np.cumsum(np.concatenate([[0], np.round(np.diff(chain_s) / rough)]))
    step_s, first_s = np.polyfit(number, chain_s, 1)
    off = chain_s - (first_s + step_s * number)
    too_few = len(chain_s) < CLICKS_CLEAR_FRAC * (number[-1] + 1)
    if too_few or 1.4826 * float(np.median(np.abs(off))) > CLICK_JITTER_S:
        return None
    places = np.arange(number[-1] + 1)
    places_s = np.interp(places, number, chain_s)
    hop_s = CLICK_HOP / RATE_HZ
    reach = int(CLICK_FAINT_S / hop_s)
    around = np.round(places_s / hop_s).astype(int)[:, None] + np.arange(-reach, reach + 1)
    faint = click_db[np.clip(around, 0, len(click_db) - 1)].max(axis=1) >= CLICK_FAINT_DB
    found_s = places_s[faint | np.isin(places, number)]
    if len(found_s) < CLICKS_FOUND_FRAC * len(places_s):
        return None
    return tuple(float(at_s) for at_s in found_s), float(60 / step_s)


def _chain(times_s: Floats, *, at_s: float, step_s: float) -> tuple[float, ...]:
    """Times that follow each other by `step_s`, in both directions from one of them; the step adapts a little."""
    found = [at_s]
    for direction in (1, -1):
        now, step, missed = at_s, step_s, 0
        while missed <= MISSED_CLICKS:
            wanted = now + direction * step * (missed + 1)
            if not 0 <= wanted <= times_s[-1] + 0.1:
                break
            place = int(np.searchsorted(times_s, wanted))
            near = times_s[max(place - 1, 0) : place + 1]
            nearest = float(near[np.argmin(np.abs(near - wanted))])
            if abs(nearest - wanted) <= CLICK_APART_S:
                step += 0.1 * (abs(nearest - now) / (missed + 1) - step)
                now, missed = nearest, 0
                found.append(now)
            else:
                missed += 1
    return tuple(sorted(found))


def _is_playing(chain_s: Floats, notes: Sequence[HeardNote], part: Part) -> bool:
    """Whether the regular noises are the strikes themselves, as when a machine plays: nearly each is one, to 3 ms."""
    sure = [note for note in notes if note.confidence >= SURE]
    if not _is_struck_at(chain_s, sure):
        return False
    # What is gone as soon as a click is was heard out of the clicks themselves, unless that is how most is played.
    lasting = [note for note in sure if not is_gone_soon(part, note)]
    return len(lasting) < len(sure) / 2 or _is_struck_at(chain_s, lasting)


def _is_struck_at(chain_s: Floats, notes: Sequence[HeardNote]) -> bool:
    strikes_s = np.sort([note.onset_s for note in notes])
    if not len(strikes_s):
        return False
    place = np.clip(np.searchsorted(strikes_s, chain_s), 1, max(len(strikes_s) - 1, 1))
    near = np.stack([strikes_s[place - 1], strikes_s[np.minimum(place, len(strikes_s) - 1)]])
    off = (near - chain_s)[np.argmin(np.abs(near - chain_s), axis=0), np.arange(len(chain_s))]
    with_strike = np.abs(off) < 0.03
    if with_strike.mean() < 0.75:
        return False
    return float(1.4826 * np.median(np.abs(off[with_strike] - np.median(off[with_strike])))) < 0.003


def is_gone_soon(part: Part, note: HeardNote) -> bool:
    """Whether a note's fundamental dies away as a click's sound does.

    Parameters
    ----------
    part : callable
        Gives the mixed samples at 16 kHz between two indices.
    note : HeardNote
        The note; its confidence does not matter.

    Returns
    -------
    bool
        True where its fundamental falls by 6 dB within a tenth of a second; False below 650 Hz, where hardly any click
        sounds.

    Examples
    --------
    >>> def click(start, stop):
    ...     t_s = np.arange(start, stop) / RATE_HZ - 1.0
    ...     return (np.where(t_s > 0, np.exp(-np.abs(t_s) / 0.01), 0) * np.sin(2 * np.pi * 1976 * t_s)).astype(np.float32)
    >>> is_gone_soon(click, HeardNote(1.0, 95))
    True
    """
    if note.pitch_midi < GONE_LOWEST_MIDI:
        return False
    hz = np.fft.rfftfreq(4 * GONE_WINDOW, 1 / RATE_HZ)[1:]
    own = 1 + np.flatnonzero(np.abs(1200 * np.log2(hz / (440 * 2 ** ((note.pitch_midi - 69) / 12)))) < GONE_REACH_CENTS)
    window = np.hanning(GONE_WINDOW).astype(np.float32)

    def level_db(at_s: float) -> float:
        start = int((note.onset_s + at_s) * RATE_HZ) - GONE_WINDOW // 2
        spectrum = np.abs(np.fft.rfft(part(start, start + GONE_WINDOW) * window, 4 * GONE_WINDOW))
        return float(20 * np.log10(spectrum[own].max() + 1e-6))

    return max(level_db(0.015), level_db(0.03)) - level_db(0.1) >= GONE_DB


def _talk(
    voice: NDArray[np.float32], notes: Sequence[HeardNote], *, duration_s: float
) -> tuple[tuple[float, float], ...]:
    """From when to when somebody talks: around glides, and through pauses as short as talk leaves."""
    if len(voice) <= GLIDE_MOMENTS:
        return ()
    hop_s = VOICE_HOP / RATE_HZ
    step = np.diff(voice[:, 0]) * VOICE_STEP_CENTS
    clear = voice[:, 1] > VOICED
    fine = clear[1:] & clear[:-1] & (np.abs(step) <= GLIDE_STEP_CENTS)
    for note in notes:
        if note.confidence >= STRUCK_FROM:
            first, last = (int((note.onset_s + by_s) / hop_s) for by_s in (-STRIKE_BEFORE_S, STRIKE_AFTER_S))
            fine[max(0, first) : last + 1] = False
    windows = np.lib.stride_tricks.sliding_window_view
    rising, falling = (windows(fine & (step * sign >= 0), GLIDE_MOMENTS).all(axis=1) for sign in (1, -1))
    far = np.abs(windows(step, GLIDE_MOMENTS).sum(axis=1)) >= GLIDE_CENTS
    found: list[tuple[float, float]] = []
    for at in np.flatnonzero((rising | falling) & far):
        start_s, stop_s = float(at) * hop_s - TALK_REACH_S, float(at + GLIDE_MOMENTS) * hop_s + TALK_REACH_S
        if found and start_s - found[-1][1] < TALK_PAUSE_S - 2 * TALK_REACH_S:
            start_s = found.pop()[0]
        found.append((max(start_s, 0.0), min(stop_s, duration_s)))
    total_s = sum(stop_s - start_s for start_s, stop_s in found)
    return tuple(found) if total_s >= TALK_LEAST_FRAC * duration_s else ()


def _tuning_cents(part: Part, notes: Sequence[HeardNote]) -> float | None:
    usable = [n for n in notes if n.confidence >= SURE and TUNING_LOW_MIDI <= n.pitch_midi <= TUNING_HIGH_MIDI]
    if len(usable) < TUNING_NOTES_LEAST:
        return None
    usable = usable[:: -(-len(usable) // TUNING_NOTES_MOST)]
    hz = np.fft.rfftfreq(TUNING_FFT, 1 / RATE_HZ)
    window = np.hanning(TUNING_WINDOW).astype(np.float32)
    found, weight = [], []
    for note in usable:
        start = round((note.onset_s + TUNING_START_S) * RATE_HZ)
        magnitude = np.abs(np.fft.rfft(part(start, start + TUNING_WINDOW) * window, TUNING_FFT))
        f0_hz = 440 * 2 ** ((note.pitch_midi - 69) / 12)
        for partial in range(1, TUNING_PARTIALS + 1):
            wanted_hz = partial * f0_hz
            reach = wanted_hz * (2 ** (TUNING_REACH_CENTS / 1200) - 1)
            near = np.flatnonzero(np.abs(hz - wanted_hz) < reach)
            if len(near) < 3 or near[-1] >= len(hz) - 1:
                continue
            top = int(near[np.argmax(magnitude[near])])
            if top in (near[0], near[-1]):
                continue
            before, here, after = np.log(magnitude[top - 1 : top + 2] + 1e-12)
            bend = before - 2 * here + after
            at_hz = (top + (0.5 * (before - after) / bend if bend < 0 else 0.0)) * RATE_HZ / TUNING_FFT
            found.append(1200 * np.log2(at_hz / wanted_hz))
            weight.append(magnitude[top])
    if len(found) < TUNING_NOTES_LEAST:
        return None
    cents = np.array(found)
    order = np.argsort(cents)
    share = np.cumsum(np.array(weight)[order])
    middle = float(cents[order][np.searchsorted(share, share[-1] / 2)])
    spread = 1.4826 * float(np.median(np.abs(cents - middle)))
    return middle if spread < TUNING_SD_CENTS else None
