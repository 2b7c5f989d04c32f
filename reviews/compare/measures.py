"""How steadily, evenly and loudly a matched playing went: numbers, each with its floor and interval.

The floor of a number is what this recording alone could make of a perfect playing: below it nothing can be told. The interval is where the
number would lie if the same playing were recorded and measured again, and if a few other notes of the same hand had been counted
(bootstrap over blocks of neighbours); it is 95 % wide.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from curriculum.score import Hand
from reviews.compare.results import Matching, NoteResult, State
from reviews.compare.settings import CompareSettings

Row: TypeAlias = NDArray[np.float64]

# Gaps over which the local tempo is taken (a running median), so that drift and phrasing are no unevenness.
DETREND_GAPS = 7
# Gaps on either side that say what the local beat is when a hesitation is looked for.
HESITATION_GAPS = 4
# Draws of the bootstrap and neighbours drawn together: gaps that follow each other lean against each other.
DRAWS, BLOCK = 400, 4
# Floors that no recording goes below, from rendered takes (single lines / chords and two voices / poor recordings), and of a MIDI file,
# whose clock ticks in milliseconds at best.
FLOOR_LINE_MS, FLOOR_CHORD_MS, FLOOR_POOR_MS, FLOOR_EXACT_MS = 5.0, 10.0, 15.0, 1.0
FLOOR_SAME_KEY_DB, FLOOR_POOR_DB, FLOOR_EXACT_DB, FLOOR_EVENT_DB = 1.0, 2.0, 0.3, 3.0
# Times a single error by which a spread of gaps must exceed it to be told: two onsets make a gap, and twice that is safe.
FLOOR_TIMES = 2.0 * 2.0**0.5
# Beats from which a slope over a take is told; less is no tempo.
LEAST_BEATS = 4.0
# Quarters a minute below which two tempi are one.
FLOOR_BPM = 1.0


@dataclass(frozen=True, slots=True)
class Trust:
    """How far the heard notes of this recording can be trusted.

    ``onset_sd_s`` is the SD of the error of one onset as found in this very take (two window sizes), ``level_sd_db`` that of one level of a
    key against itself. ``is_exact`` holds for MIDI. ``is_poor`` holds where noise, room or clipping are bad. ``is_dry`` says that ends of
    notes can be told (no pedal, no long room). ``has_steady_level`` is False where loudness was cut off or evened out on its way,
    ``has_own_levels`` where levels are not those of each note's own partials: differences are then too small by a factor nobody knows (one
    third on one sampled piano, one on another).
    """

    onset_sd_s: float = 0.001
    level_sd_db: float = 0.5
    is_exact: bool = False
    is_poor: bool = False
    is_dry: bool = False
    has_steady_level: bool = True
    has_own_levels: bool = True


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its floor, its interval and how many values it rests on."""

    value: float
    low: float
    high: float
    floor: float
    count: int

    @property
    def is_told(self) -> bool:
        """Whether the number stands above what the recording alone could make."""
        return self.value > self.floor


@dataclass(frozen=True, slots=True)
class Stroke:
    """What one hand, or both, struck at one event. ``level_db`` is that of all its notes together, None where one was not heard."""

    event: int
    pass_index: int
    bar: str
    bar_pass: int
    onset_beat: float
    onset_s: float
    level_db: float
    pitches: tuple[int, ...]
    spread_s: float
    end_s: float | None
    duration_beat: float


@dataclass(frozen=True, slots=True)
class Gap:
    """The time from one stroke to the next in the same pass."""

    start: Stroke
    end: Stroke
    is_hesitation: bool = False

    @property
    def seconds(self) -> float:
        return self.end.onset_s - self.start.onset_s

    @property
    def beats(self) -> float:
        return self.end.onset_beat - self.start.onset_beat

    @property
    def tau_s(self) -> float:
        """Seconds a quarter."""
        return self.seconds / self.beats


@dataclass(frozen=True, slots=True)
class Hesitation:
    """A gap much longer than the local beat. ``ratio`` is how many times longer than it should be."""

    at_s: float
    bar: str
    bar_pass: int
    lost_s: float
    ratio: float


@dataclass(frozen=True, slots=True)
class TempoMeasure:
    """Quarters a minute over the take with their interval, and how much faster the end is than the beginning, in per cent."""

    bpm: float
    drift_pct: Measure
    bpm_low: float
    bpm_high: float


@dataclass(frozen=True, slots=True)
class Evenness:
    """How even one hand is: spread of its gaps around the local tempo, and of each key's level around its own median."""

    ioi_sd_ms: Measure
    ioi_mad_ms: float
    level_sd_db: Measure | None


def strokes_of(matching: Matching, *, hand: Hand | None = None) -> list[Stroke]:
    """Return what was struck, event by event, in order of time.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    hand : hand, optional
        One hand; None takes all notes together.

    Returns
    -------
    list of Stroke
        Sorted by pass and event; events of which nothing was heard are left out. Grace notes do not count.
    """
    by_event: dict[tuple[int, int], list[NoteResult]] = defaultdict(list)
    for note in matching.notes:
        if note.onset_s is not None and not note.grace and (hand is None or note.hand == hand):
            by_event[note.pass_index or 0, note.event].append(note)
    strokes = []
    for (pass_index, event), notes in sorted(by_event.items()):
        onsets = [note.onset_s for note in notes if note.onset_s is not None]
        levels = [note.level_db or 0.0 for note in notes]
        ends = [note.end_s for note in notes if note.end_s is not None]
        strokes.append(
            Stroke(
                event=event,
                pass_index=pass_index,
                bar=notes[0].bar,
                bar_pass=notes[0].bar_pass,
                onset_beat=notes[0].onset_beat,
                onset_s=float(np.median(onsets)),
                level_db=float(10 * np.log10(np.sum(10 ** (np.array(levels) / 10)))),
                pitches=tuple(sorted(note.pitch_midi for note in notes if note.state == State.PLAYED)),
                spread_s=max(onsets) - min(onsets),
                end_s=max(ends) if len(ends) == len(notes) else None,
                duration_beat=min(note.duration_beat for note in notes),
            )
        )
    return strokes


def gaps_of(strokes: Sequence[Stroke], *, settings: CompareSettings, all_events: bool = False) -> list[Gap]:
    """Return the times between neighbouring strokes of one pass, hesitations marked.

    A hesitation is a gap longer than 1.6 times the local beat (rubric, proposal), the local beat being the median over four gaps on either
    side; it also costs at least 0.15 s.

    Parameters
    ----------
    strokes : sequence of Stroke
        In order of time.
    settings : CompareSettings
        Ratio and least length of a hesitation.
    all_events : bool
        Whether a gap may only join events that follow each other in the score.

    Returns
    -------
    list of Gap
        Without strokes an empty list.
    """
    gaps = [
        Gap(start=one, end=other)
        for one, other in pairwise(strokes)
        if one.pass_index == other.pass_index
        and other.onset_beat > one.onset_beat
        and other.onset_s > one.onset_s
        and (not all_events or other.event == one.event + 1)
    ]
    if not gaps:
        return []
    taus = np.array([gap.tau_s for gap in gaps])
    marked = []
    for index, gap in enumerate(gaps):
        around = np.concatenate(
            [taus[max(0, index - HESITATION_GAPS) : index], taus[index + 1 : index + 1 + HESITATION_GAPS]]
        )
        usual = float(np.median(around)) if len(around) >= 3 else float(np.median(taus))
        late_s = gap.seconds - gap.beats * usual
        # The beat that is waited for is the shorter of the gap itself and a quarter: a long note held a little longer is no stop.
        allowed_s = (settings.hesitation_ratio - 1.0) * min(gap.beats, 1.0) * usual
        marked.append(
            Gap(start=gap.start, end=gap.end, is_hesitation=late_s > max(allowed_s, settings.least_hesitation_s))
        )
    return marked


def hesitations_of(gaps: Sequence[Gap]) -> list[Hesitation]:
    """Return the gaps that are hesitations, with what they cost.

    Parameters
    ----------
    gaps : sequence of Gap
        Of all notes together (:func:`strokes_of` without a hand).

    Returns
    -------
    list of Hesitation
        In order of time; often empty.
    """
    plain = [gap.tau_s for gap in gaps if not gap.is_hesitation]
    usual = float(np.median(plain)) if plain else 1.0
    return [
        Hesitation(
            at_s=gap.end.onset_s,
            bar=gap.end.bar,
            bar_pass=gap.end.bar_pass,
            lost_s=gap.seconds - gap.beats * usual,
            ratio=gap.tau_s / usual,
        )
        for gap in gaps
        if gap.is_hesitation
    ]


def detrended_ms(gaps: Sequence[Gap]) -> Row:
    """Return how much longer each gap is than the local tempo asks, in milliseconds.

    The local tempo is the median of seconds a quarter over seven neighbouring gaps, this one included; near the ends over as many as there
    are. Hesitations take no part.

    Parameters
    ----------
    gaps : sequence of Gap
        In order of time.

    Returns
    -------
    ndarray, shape (n_plain,)
        One value for each gap that is no hesitation.
    """
    plain = [gap for gap in gaps if not gap.is_hesitation]
    taus = np.array([gap.tau_s for gap in plain])
    half = DETREND_GAPS // 2
    local = np.array([np.median(taus[max(0, index - half) : index + half + 1]) for index in range(len(taus))])
    return np.array(
        [1000.0 * (gap.seconds - gap.beats * tau) for gap, tau in zip(plain, local, strict=True)], dtype=np.float64
    )


def spread(values: Row, *, floor: float, seed: int = 0) -> Measure:
    """Return the standard deviation of values with its 95 % interval by a block bootstrap, widened by the floor.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least two, in order of time.
    floor : float
        What the recording alone could make, same unit.
    seed : int
        Of the draws.

    Returns
    -------
    Measure
        The SD around zero mean.

    Examples
    --------
    >>> spread(np.array([1.0, -1.0] * 20), floor=0.1).value
    1.0
    """
    value = float(np.std(values))
    random = np.random.default_rng(seed)
    count = len(values)
    blocks = -(-count // BLOCK)
    starts = random.integers(0, count, size=(DRAWS, blocks))
    indices = (starts[:, :, None] + np.arange(BLOCK)).reshape(DRAWS, -1)[:, :count] % count
    drawn = np.std(values[indices], axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Measure(
        value=value,
        low=max(0.0, min(float(low), value) - floor / 2),
        high=max(float(high), value) + floor / 2,
        floor=floor,
        count=count,
    )


def evenness_of(
    matching: Matching, *, hand: Hand, trust: Trust, settings: CompareSettings, seed: int = 0
) -> Evenness | None:
    """Return how even one hand plays, or None under 24 usable notes.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    hand : hand
        Right or left.
    trust : Trust
        How good the recording is.
    settings : CompareSettings
        How many notes a verdict needs.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Evenness or None
        Spread of gaps; spread of levels of a key against itself where keys return often enough.
    """
    strokes = strokes_of(matching, hand=hand)
    gaps = gaps_of(strokes, settings=settings)
    plain = [gap for gap in gaps if not gap.is_hesitation]
    used = {(stroke.pass_index, stroke.event) for gap in plain for stroke in (gap.start, gap.end)}
    if len(used) < settings.least_notes:
        return None
    residuals = detrended_ms(gaps)
    is_line = matching.hands == {hand} and all(len(stroke.pitches) <= 1 for stroke in strokes)
    level = own_key_spread(strokes, trust=trust, least=settings.least_notes, seed=seed)
    return Evenness(
        ioi_sd_ms=spread(residuals, floor=ioi_floor_ms(trust, is_line=is_line), seed=seed),
        ioi_mad_ms=float(1.4826 * np.median(np.abs(residuals - np.median(residuals)))),
        level_sd_db=level,
    )


def ioi_floor_ms(trust: Trust, *, is_line: bool) -> float:
    """Return below which spread of gaps nothing can be told in this recording.

    Parameters
    ----------
    trust : Trust
        How good the recording is.
    is_line : bool
        Whether one note sounds at a time.

    Returns
    -------
    float
        Milliseconds: the larger of the measured table and what the errors found in this take make of a gap.
    """
    if trust.is_exact:
        return FLOOR_EXACT_MS
    table = FLOOR_POOR_MS if trust.is_poor else FLOOR_LINE_MS if is_line else FLOOR_CHORD_MS
    return max(table, 1000.0 * FLOOR_TIMES * trust.onset_sd_s)


def own_key_levels(strokes: Sequence[Stroke]) -> list[tuple[Stroke, float]]:
    """Return how much louder than its key's usual each single note is, the trend over the take taken out.

    Parameters
    ----------
    strokes : sequence of Stroke
        Of one hand.

    Returns
    -------
    list of (Stroke, float)
        Decibels, in order of time; keys struck once, and chords, are left out.
    """
    by_pitch: dict[int, list[Stroke]] = defaultdict(list)
    for stroke in strokes:
        if len(stroke.pitches) == 1:
            by_pitch[stroke.pitches[0]].append(stroke)
    pairs: list[tuple[Stroke, float]] = []
    for same in by_pitch.values():
        if len(same) >= 2:
            usual = float(np.median([stroke.level_db for stroke in same]))
            pairs += [(stroke, stroke.level_db - usual) for stroke in same]
    pairs.sort(key=lambda pair: (pair[0].onset_s, pair[1], pair[0].pitches))
    times = np.array([stroke.onset_s for stroke, _ in pairs])
    levels = np.array([off_db for _, off_db in pairs])
    if len(pairs) > 2 and np.ptp(times) > 0:
        levels = levels - np.polyval(np.polyfit(times, levels, 1), times)
    return [(stroke, float(off_db)) for (stroke, _), off_db in zip(pairs, levels, strict=True)]


def own_key_spread(strokes: Sequence[Stroke], *, trust: Trust, least: int, seed: int = 0) -> Measure | None:
    """Return the spread of single notes around the median of their own key, the trend over the take taken out.

    Parameters
    ----------
    strokes : sequence of Stroke
        Of one hand, or of all notes together.
    trust : Trust
        How good the recording is.
    least : int
        How many strokes of returning keys it needs.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Measure or None
        Decibels; None where too few keys return.
    """
    found = own_key_levels(strokes)
    if len(found) < least:
        return None
    levels = np.array([off_db for _, off_db in found])
    # Each key's own median has been taken from few values and hides some of the spread: n keys of m values leave m - 1 each.
    keys = len({stroke.pitches[0] for stroke, _ in found})
    levels = levels * float(np.sqrt(len(found) / max(len(found) - keys, 1)))
    table = FLOOR_EXACT_DB if trust.is_exact else FLOOR_POOR_DB if trust.is_poor else FLOOR_SAME_KEY_DB
    return spread(levels, floor=max(table, 2.0 * (0.0 if trust.is_exact else trust.level_sd_db)), seed=seed)


def tempo_of(matching: Matching, *, trust: Trust, settings: CompareSettings, seed: int = 0) -> TempoMeasure | None:
    """Return the tempo of the take and its drift, hesitations taken out.

    The tempo is the median of seconds a quarter, weighted by length; its interval comes from a bootstrap over the gaps, widened by half a
    quarter a minute (recorded anew, it is told within 0.3, RMS). The drift is a straight line through the logarithm of the local tempo,
    from the first to the last beat played, in per cent; positive is faster. Its floor and interval come from a bootstrap over the gaps.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    trust : Trust
        How good the recording is.
    settings : CompareSettings
        What a hesitation is.
    seed : int
        Of the bootstrap.

    Returns
    -------
    TempoMeasure or None
        None where fewer than four beats were played through.
    """
    return tempo_over(gaps_of(strokes_of(matching), settings=settings), trust=trust, seed=seed)


def tempo_over(gaps: Sequence[Gap], *, trust: Trust, seed: int = 0) -> TempoMeasure | None:
    """Return the tempo over gaps whose length in quarters is known, and its drift: what :func:`tempo_of` takes from a take with a score.

    Parameters
    ----------
    gaps : sequence of Gap
        In order of time; hesitations take no part.
    trust : Trust
        How good the recording is.
    seed : int
        Of the bootstrap.

    Returns
    -------
    TempoMeasure or None
        None under four gaps or four beats.
    """
    plain = [gap for gap in gaps if not gap.is_hesitation]
    beats = np.array([gap.beats for gap in plain])
    if beats.sum() < LEAST_BEATS or len(plain) < 4:
        return None
    taus = np.array([gap.tau_s for gap in plain])
    everything = np.arange(len(plain))

    def middle(indices: NDArray[np.intp]) -> float:
        ordered = indices[np.argsort(taus[indices])]
        place = int(np.searchsorted(np.cumsum(beats[ordered]), beats[indices].sum() / 2))
        return float(taus[ordered][min(place, len(ordered) - 1)])

    tau = middle(everything)
    centre = np.array([(gap.start.onset_beat + gap.end.onset_beat) / 2 for gap in plain])
    values = np.log(tau / taus)
    # A long gap tells the tempo better than a short one: the error of a gap does not grow with it.
    weights = beats**2
    random = np.random.default_rng(seed)
    reach = float(np.ptp([*(gap.start.onset_beat for gap in plain), *(gap.end.onset_beat for gap in plain)]))

    def drift(indices: NDArray[np.intp]) -> float:
        x, y, w = centre[indices], values[indices], weights[indices]
        x = x - np.average(x, weights=w)
        spread_of_x = float(np.sum(w * x * x))
        slope = float(np.sum(w * x * y)) / spread_of_x if spread_of_x > 0 else 0.0
        return 100.0 * (float(np.exp(slope * reach)) - 1.0)

    drawn = [random.integers(0, len(plain), size=len(plain)) for _ in range(DRAWS)]
    low, high = np.quantile([drift(indices) for indices in drawn], [0.025, 0.975])
    slow, fast = np.quantile([60.0 / middle(indices) for indices in drawn], [0.025, 0.975])
    value = drift(everything)
    error = 100.0 * FLOOR_TIMES * trust.onset_sd_s / (tau * max(reach, 1.0)) * 3.0
    return TempoMeasure(
        bpm=60.0 / tau,
        drift_pct=Measure(
            value=value,
            low=min(float(low), value),
            high=max(float(high), value),
            floor=max(error, 1.0),
            count=len(plain),
        ),
        bpm_low=min(float(slow), 60.0 / tau) - FLOOR_BPM / 2,
        bpm_high=max(float(fast), 60.0 / tau) + FLOOR_BPM / 2,
    )


def hands_apart_ms(matching: Matching, *, trust: Trust) -> tuple[Measure, float] | None:
    """Return by how much the left hand comes after the right, where both strike together: the median, and the 90th percentile of its size.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    trust : Trust
        How good the recording is.

    Returns
    -------
    (Measure, float) or None
        Milliseconds; a positive median is a late left hand. None under eight such places. Octaves between the hands are left out, for their
        strokes cannot be heard apart (unless the notes come from a MIDI file).
    """
    right = {(stroke.pass_index, stroke.event): stroke for stroke in strokes_of(matching, hand="right")}
    left = {(stroke.pass_index, stroke.event): stroke for stroke in strokes_of(matching, hand="left")}
    lags = []
    for place in sorted(right.keys() & left.keys()):
        one, other = right[place], left[place]
        if not trust.is_exact and any((a - b) % 12 == 0 for a in one.pitches for b in other.pitches):
            continue
        lags.append(1000.0 * (other.onset_s - one.onset_s))
    if len(lags) < 8:
        return None
    values = np.array(lags)
    random = np.random.default_rng(0)
    medians = np.median(values[random.integers(0, len(values), size=(DRAWS, len(values)))], axis=1)
    low, high = np.quantile(medians, [0.025, 0.975])
    floor = FLOOR_EXACT_MS if trust.is_exact else FLOOR_POOR_MS if trust.is_poor else FLOOR_CHORD_MS
    floor = floor if trust.is_exact else max(floor, 1000.0 * FLOOR_TIMES * trust.onset_sd_s)
    middle = float(np.median(values))
    return (
        Measure(value=middle, low=float(low) - floor / 2, high=float(high) + floor / 2, floor=floor, count=len(lags)),
        float(np.quantile(np.abs(values), 0.9)),
    )


def chord_spread_ms(matching: Matching, *, hand: Hand, trust: Trust) -> Measure | None:
    """Return how far apart the notes of one hand's chords are struck: the median over the take.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    hand : hand
        Right or left.
    trust : Trust
        How good the recording is.

    Returns
    -------
    Measure or None
        Milliseconds. None under eight chords of two notes or more. An error of a moment can only add to a spread: notes struck as one are
        heard 0.6 ms apart in good recordings and 1.8 ms in poor ones, so the interval reaches half a floor further, as that of gaps does.
    """
    spreads = np.array(
        [1000.0 * stroke.spread_s for stroke in strokes_of(matching, hand=hand) if len(stroke.pitches) >= 2]
    )
    if len(spreads) < 8:
        return None
    random = np.random.default_rng(0)
    medians = np.median(spreads[random.integers(0, len(spreads), size=(DRAWS, len(spreads)))], axis=1)
    low, high = np.quantile(medians, [0.025, 0.975])
    floor = FLOOR_EXACT_MS if trust.is_exact else FLOOR_POOR_MS if trust.is_poor else FLOOR_CHORD_MS
    return Measure(
        value=float(np.median(spreads)),
        low=max(0.0, float(low) - floor),
        high=float(high) + floor,
        floor=2 * floor,
        count=len(spreads),
    )


def proportions_of(gaps: Sequence[Gap]) -> dict[float, Measure]:
    """Return how long each written value is played against the beat around it: 1 is right.

    Parameters
    ----------
    gaps : sequence of Gap
        Of one hand or of all notes together.

    Returns
    -------
    dict of float to Measure
        By length in quarters; values that occur fewer than six times are left out. The floor is 0.05 (common practice, no source).
    """
    plain = [gap for gap in gaps if not gap.is_hesitation]
    if len(plain) < 2 * HESITATION_GAPS:
        return {}
    seconds = np.array([gap.seconds for gap in plain])
    beats = np.array([gap.beats for gap in plain])
    by_value: dict[float, list[float]] = defaultdict(list)
    for index, gap in enumerate(plain):
        near = slice(max(0, index - HESITATION_GAPS), index + HESITATION_GAPS + 1)
        tau = float(seconds[near].sum() / beats[near].sum())
        by_value[round(gap.beats, 4)].append(gap.seconds / (gap.beats * tau))
    found = {}
    for value, ratios in by_value.items():
        if len(ratios) >= 6 and len(by_value) > 1:
            drawn = np.array(ratios)
            error = float(np.std(drawn) / np.sqrt(len(drawn)))
            middle = float(np.mean(drawn))
            found[value] = Measure(
                value=middle, low=middle - 1.96 * error, high=middle + 1.96 * error, floor=0.05, count=len(drawn)
            )
    return found


def touch_of(matching: Matching, *, hand: Hand, trust: Trust) -> Measure | None:
    """Return how long notes sound, as a share of the gap to the next: about 0.4 is short, 1 joined (proposal).

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    hand : hand
        Right or left.
    trust : Trust
        Only a dry recording without pedal, or MIDI, tells where notes end.

    Returns
    -------
    Measure or None
        None where it cannot be told, or under eight notes.
    """
    if not (trust.is_dry or trust.is_exact):
        return None
    shares = []
    for one, other in pairwise(strokes_of(matching, hand=hand)):
        if one.end_s is not None and one.pass_index == other.pass_index and other.event == one.event + 1:
            shares.append((one.end_s - one.onset_s) / (other.onset_s - one.onset_s))
    if len(shares) < 8:
        return None
    values = np.clip(np.array(shares), 0.0, 1.5)
    floor = 0.02 if trust.is_exact else 0.1
    # The end of a note is told late by the same share all through a take (0.03, measured): half a floor more than the notes' own scatter.
    error = 1.96 * float(np.std(values) / np.sqrt(len(values))) + floor / 2
    middle = float(np.median(values))
    return Measure(value=middle, low=middle - error, high=middle + error, floor=floor, count=len(values))
