"""Findings: numbers of one take in the learner's words, each with its floor, its interval, and the level it speaks for.

A level is named only where the whole interval lies in one band of the rubric; else none is, and the words say that it cannot be told.
Bands are proposals (content/rubric.yaml); they hold for exercises. A piece that is shaped on purpose is described, never graded by
them: in the performances of the Vienna 4x22 corpus professionals deviate by 7 to 22 per cent of a beat (measured on its match files).
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import sqrt

import numpy as np

from curriculum.score import Hand
from reviews.compare.designed import Placed
from reviews.compare.fingers import FingerDoubt, FingerFit, FingerNote, finger_words, fit_fingers
from reviews.compare.measures import (
    FLOOR_BPM,
    Gap,
    Measure,
    Stroke,
    Trust,
    chord_spread_ms,
    detrended_ms,
    evenness_of,
    gaps_of,
    hands_apart_ms,
    hesitations_of,
    proportions_of,
    strokes_of,
    tempo_of,
    touch_of,
)
from reviews.compare.results import Matching, NoteResult, State
from reviews.compare.settings import CompareSettings

HANDS: tuple[Hand, ...] = ("right", "left")
# Standard normal quantile of a 95 % interval.
Z = 1.96
# Least notes that could be told for a share of right notes to mean anything.
LEAST_TOLD = 8
# Decibels between sections marked soft and loud from which the contrast is clear (common practice, no source).
CLEAR_CONTRAST_DB = 6.0
LEAST_SECTION = 6  # events on either side for that
SOFT, LOUD = frozenset({"p", "pp", "ppp"}), frozenset({"f", "ff", "fff"})
VALUE_NAMES = {0.25: "sixteenths", 0.5: "eighths", 0.75: "dotted eighths", 1.0: "quarters", 1.5: "dotted quarters", 2.0: "halves", 3.0: "dotted halves", 4.0: "whole notes"}  # fmt: skip


class Kind(StrEnum):
    """What a finding is about. Closed list; printed by `manage.py measure --codes`."""

    RIGHT_NOTES = "right_notes"
    REPEATED_SPOT = "repeated_spot"
    HESITATIONS = "hesitations"
    RESTARTS = "restarts"
    TEMPO_DRIFT = "tempo_drift"
    ASKED_TEMPO = "asked_tempo"
    GAPS = "gaps"
    VALUES = "values"
    HANDS_APART = "hands_apart"
    CHORD_SPREAD = "chord_spread"
    EVEN_LEVEL = "even_level"
    FINGERS = "fingers"
    LEVEL_TREND = "level_trend"
    DYNAMICS = "dynamics"
    TOUCH = "touch"
    # Without a score.
    PULSE = "pulse"
    STEADINESS = "steadiness"
    STRIKES = "strikes"
    IRREGULAR = "irregular"
    REPEATS = "repeats"


DIMENSIONS: Mapping[Kind, str] = {
    Kind.RIGHT_NOTES: "notes",
    Kind.REPEATED_SPOT: "notes",
    Kind.HESITATIONS: "fluency",
    Kind.RESTARTS: "fluency",
    Kind.TEMPO_DRIFT: "rhythm",
    Kind.ASKED_TEMPO: "rhythm",
    Kind.GAPS: "rhythm",
    Kind.VALUES: "rhythm",
    Kind.HANDS_APART: "rhythm",
    Kind.CHORD_SPREAD: "rhythm",
    Kind.EVEN_LEVEL: "evenness",
    Kind.FINGERS: "evenness",
    Kind.LEVEL_TREND: "dynamics-balance",
    Kind.DYNAMICS: "dynamics-balance",
    Kind.TOUCH: "articulation",
    Kind.PULSE: "rhythm",
    Kind.STEADINESS: "rhythm",
    Kind.STRIKES: "rhythm",
    Kind.IRREGULAR: "rhythm",
    Kind.REPEATS: "fluency",
}


@dataclass(frozen=True, slots=True)
class FindingSettings:
    """Bands of the rubric. Each tuple holds the borders between the levels 1|2, 2|3 and 3|4, in the finding's unit.

    ``gap_frac`` and ``gap_least_ms``: SD of gaps, as a share of the usual gap but at least so many milliseconds. ``level_db`` speaks only
    for MIDI or a designed take. All are proposals of content/rubric.yaml.
    """

    right_pct: tuple[float, float, float] = (85.0, 95.0, 98.0)
    drift_pct: tuple[float, float, float] = (10.0, 6.0, 3.0)
    gap_frac: tuple[float, float, float] = (0.10, 0.06, 0.04)
    gap_least_ms: tuple[float, float, float] = (30.0, 18.0, 12.0)
    stops_per_16_bars: tuple[float, float, float] = (3.0, 1.0, 0.0)
    level_db: tuple[float, float, float] = (4.0, 2.5, 1.5)
    asked_bpm_frac: float = 0.05


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. ``value``, ``floor``, ``low`` and ``high`` share a unit; ``level`` (1 to 4) is None where it cannot be told."""

    kind: Kind
    dimension: str
    bars: tuple[str, ...]
    value: float
    unit: str
    floor: float
    low: float
    high: float
    text: str
    level: int | None = None
    hand: Hand | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """What of the score the findings need beside its notes: marks of loudness as (onset in quarters, text), and whether the piece is to be
    shaped (then drill bands name no level). ``placed`` holds each note's finger, by its id, where the score is the take that tells fingers
    from the room.
    """

    dynamics: tuple[tuple[float, str], ...] = ()
    is_expressive: bool = False
    asked_bpm: float | None = None
    placed: Mapping[str, Placed] = field(default_factory=dict)


@dataclass(slots=True)
class _Teller:
    matching: Matching
    trust: Trust
    settings: CompareSettings
    bands: FindingSettings
    written: Written
    found: list[Finding] = field(default_factory=list)

    def add(
        self, kind: Kind, measure: Measure, *, unit: str, text: str, bars: Sequence[str] = (), level: int | None = None, hand: Hand | None = None
    ) -> None:  # fmt: skip
        self.found.append(
            Finding(
                kind=kind,
                dimension=DIMENSIONS[kind],
                bars=tuple(dict.fromkeys(bars)),
                value=measure.value,
                unit=unit,
                floor=measure.floor,
                low=measure.low,
                high=measure.high,
                text=text,
                level=None if self.written.is_expressive and kind in _DRILL else level,
                hand=hand,
            )
        )


# Kinds whose bands are those of exercises.
_DRILL = frozenset(
    {Kind.TEMPO_DRIFT, Kind.GAPS, Kind.VALUES, Kind.EVEN_LEVEL, Kind.LEVEL_TREND, Kind.CHORD_SPREAD, Kind.HANDS_APART}
)


def find(
    matching: Matching,
    *,
    trust: Trust,
    settings: CompareSettings,
    written: Written | None = None,
    bands: FindingSettings | None = None,
) -> tuple[Finding, ...]:
    """Return what is to be said about a playing.

    Parameters
    ----------
    matching : Matching
        The playing, note by note.
    trust : Trust
        How good the recording is.
    settings : CompareSettings
        As the comparison had them.
    written : Written, optional
        Marks of loudness, and whether the piece is to be shaped.
    bands : FindingSettings, optional
        Borders between the levels.

    Returns
    -------
    tuple of Finding
        In the order of the rubric's dimensions; empty where nothing was played.
    """
    teller = _Teller(matching, trust, settings, bands or FindingSettings(), written or Written())
    if not matching.passes:
        return ()
    _notes(teller)
    _repeated(teller)
    _stops(teller)
    _tempo(teller)
    for hand in HANDS:
        _evenness(teller, hand)
    _fingers(teller)
    _values(teller)
    _together(teller)
    _dynamics(teller)
    for hand in HANDS:
        _touch(teller, hand)
    return tuple(teller.found)


def band(low: float, high: float, borders: tuple[float, float, float]) -> int | None:
    """Return the level 1 to 4 in which a whole interval lies, or None.

    Parameters
    ----------
    low, high : float
        The interval.
    borders : (float, float, float)
        Between levels 1|2, 2|3, 3|4; falling where less is better, rising where more is.

    Returns
    -------
    int or None
        None where the interval touches two levels.

    Examples
    --------
    >>> band(4.0, 5.5, (10, 6, 3)), band(5.0, 7.0, (10, 6, 3)), band(98.5, 100.0, (85, 95, 98))
    (3, None, 4)
    """
    if borders[0] > borders[2]:
        levels = {1 + sum(value <= border for border in borders) for value in (low, high)}
    else:
        levels = {1 + sum(value >= border for border in borders) for value in (low, high)}
    return levels.pop() if len(levels) == 1 else None


def in_words(bars: Sequence[str]) -> str:
    """Return bars as a learner reads them.

    Parameters
    ----------
    bars : sequence of str
        Printed numbers in order; repeated ones count once.

    Returns
    -------
    str
        Such as “bar 3” or “bars 3, 5 to 7 and 12”.

    Examples
    --------
    >>> in_words(["3"]), in_words(["3", "5", "6", "7", "12"])
    ('bar 3', 'bars 3, 5 to 7 and 12')
    """
    unique = list(dict.fromkeys(bars))
    runs: list[list[str]] = []
    for bar in unique:
        if runs and bar.isdecimal() and runs[-1][-1].isdecimal() and int(bar) == int(runs[-1][-1]) + 1:
            runs[-1].append(bar)
        else:
            runs.append([bar])
    parts = [part for run in runs for part in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else run)]
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"bar {listed}" if len(unique) == 1 else f"bars {listed}"


def _counted(count: int, name: str) -> str:
    numbers = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return f"{numbers[count] if count < len(numbers) else count} {name}{'' if count == 1 else 's'}"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count) or _counted(count, "time")


def _judged(matching: Matching) -> list[NoteResult]:
    return [note for note in matching.notes if note.is_reached and not note.grace and (note.hand is None or note.hand in matching.hands)]  # fmt: skip


def _notes(teller: _Teller) -> None:
    notes = _judged(teller.matching)
    told = [note for note in notes if note.state != State.CANNOT_TELL]
    if len(told) < LEAST_TOLD:
        return
    wrong = [note.bar for note in told if note.state == State.WRONG_PITCH]
    missing = [note.bar for note in told if note.state == State.MISSING]
    extra = [each.bar for each in teller.matching.extras]
    right = len(told) - len(wrong) - len(missing)
    # What was played is not a sample of notes: all of them are there. Only what could not be told makes the share uncertain.
    hidden = len(notes) - len(told)
    low, high = 100 * right / len(notes), 100 * (right + hidden) / len(notes)
    value = 100 * right / len(told)
    measure = Measure(value=value, low=low, high=high, floor=100 * hidden / len(notes), count=len(told))
    parts = [f"{right} of {len(told)} notes that could be told were right"]
    if wrong:
        parts.append(f"{_counted(len(wrong), 'wrong note')} in {in_words(wrong)}")
    if missing:
        parts.append(f"{_counted(len(missing), 'note')} missing in {in_words(missing)}")
    if extra:
        parts.append(f"{_counted(len(extra), 'note')} too many in {in_words(extra)}")
    text = "; ".join(parts) + "."
    if hidden:
        text += f" Of {_counted(hidden, 'note')} this recording cannot tell."
    teller.add(Kind.RIGHT_NOTES, measure, unit="%", text=text, bars=[*wrong, *missing, *extra], level=band(low, high, teller.bands.right_pct))  # fmt: skip


def _repeated(teller: _Teller) -> None:
    """The same written bar wrong each time it was played."""
    passes: dict[str, set[int]] = defaultdict(set)
    faulty: dict[str, set[int]] = defaultdict(set)
    for note in _judged(teller.matching):
        passes[note.bar].add(note.bar_pass)
        if note.state in {State.WRONG_PITCH, State.MISSING}:
            faulty[note.bar].add(note.bar_pass)
    for bar, wrong in faulty.items():
        if len(wrong) >= 2 and len(wrong) == len(passes[bar]):
            measure = Measure(value=len(wrong), low=len(wrong), high=len(wrong), floor=1, count=len(passes[bar]))
            text = f"Bar {bar} went wrong each of the {_counted(len(wrong), 'time')} it was played. It is worth learning anew, slowly, on its own."
            teller.add(Kind.REPEATED_SPOT, measure, unit="times", text=text, bars=[bar])


def _stops(teller: _Teller) -> None:
    matching, settings = teller.matching, teller.settings
    stops = hesitations_of(gaps_of(strokes_of(matching), settings=settings))
    reached = {(note.bar_pass, note.bar) for note in matching.notes if note.is_reached}
    bars = max(len(reached), 1)
    count = len(stops)
    per_16 = 16 * count / bars
    level = band(per_16, per_16, teller.bands.stops_per_16_bars) if bars >= 4 else None
    where = [stop.bar for stop in stops]
    text = (
        f"{_counted(count, 'stop').capitalize()}, before {in_words(where)}: {sum(stop.lost_s for stop in stops):.1f} seconds in all."
        if stops
        else "No stop: every note came within its beat."
    )
    measure = Measure(value=count, low=count, high=count, floor=0, count=bars)
    teller.add(Kind.HESITATIONS, measure, unit="stops", text=text, bars=where, level=None if matching.restarts else level)  # fmt: skip
    if matching.restarts:
        found = matching.restarts
        places = ", ".join(f"from bar {each.from_bar} to bar {each.to_bar}" for each in found[:6])
        again = Measure(value=len(found), low=len(found), high=len(found), floor=0, count=bars)
        text = f"You went back {_times(len(found))}: {places}."
        teller.add(Kind.RESTARTS, again, unit="times", text=text, bars=[each.from_bar for each in found])


def _tempo(teller: _Teller) -> None:
    tempo = tempo_of(teller.matching, trust=teller.trust, settings=teller.settings)
    if tempo is None:
        return
    drift = tempo.drift_pct
    crosses = drift.low <= 0 <= drift.high
    is_told = not crosses and abs(drift.value) > drift.floor
    way = "faster" if drift.value > 0 else "slower"
    text = (
        f"The end is {abs(drift.value):.0f} % {way} than the beginning."
        if is_told
        else "No drift that could be told from chance: the end is as fast as the beginning."
    )
    sizes = (0.0 if crosses else min(abs(drift.low), abs(drift.high)), max(abs(drift.low), abs(drift.high)))
    teller.add(Kind.TEMPO_DRIFT, drift, unit="%", text=text, level=band(*sizes, teller.bands.drift_pct))
    asked = teller.written.asked_bpm
    if asked:
        frac = tempo.bpm / asked - 1
        near = abs(frac) <= teller.bands.asked_bpm_frac
        text = f"Played at {tempo.bpm:.0f}; {asked:.0f} was asked."
        text += " That is the tempo of the week." if near else f" That is {abs(100 * frac):.0f} % {'faster' if frac > 0 else 'slower'}."  # fmt: skip
        measure = Measure(value=tempo.bpm, low=tempo.bpm_low, high=tempo.bpm_high, floor=FLOOR_BPM, count=drift.count)
        teller.add(Kind.ASKED_TEMPO, measure, unit="bpm", text=text)


def _evenness(teller: _Teller, hand: Hand) -> None:
    even = evenness_of(teller.matching, hand=hand, trust=teller.trust, settings=teller.settings)
    if even is None:
        return
    gaps = [gap for gap in gaps_of(strokes_of(teller.matching, hand=hand), settings=teller.settings) if not gap.is_hesitation]  # fmt: skip
    usual_ms = 1000 * float(np.median([gap.seconds for gap in gaps]))
    sd = even.ioi_sd_ms
    name = _hand_name(teller.matching, hand)
    least, frac = teller.bands.gap_least_ms, teller.bands.gap_frac
    borders = (max(least[0], frac[0] * usual_ms), max(least[1], frac[1] * usual_ms), max(least[2], frac[2] * usual_ms))
    if sd.is_told:
        text = f"Gaps between notes{name} differ by {sd.value:.0f} ms from even ({sd.low:.0f} to {sd.high:.0f}), with a usual gap of {usual_ms:.0f} ms."  # fmt: skip
        level = band(sd.low, sd.high, borders)
    else:
        text = f"Gaps between notes{name} are as even as this recording can tell: under {sd.floor:.0f} ms."
        level = band(0.0, sd.floor, borders)
    teller.add(Kind.GAPS, sd, unit="ms", text=text, bars=_uneven_bars(gaps, limit_ms=2.5 * max(sd.value, sd.floor)), level=level, hand=hand)  # fmt: skip
    _levels(teller, hand, even.level_sd_db, name)


def _uneven_bars(gaps: Sequence[Gap], *, limit_ms: float) -> list[str]:
    residuals = detrended_ms(gaps)
    return [gap.end.bar for gap, late in zip(gaps, residuals, strict=True) if abs(late) > limit_ms]


def _levels(teller: _Teller, hand: Hand, level: Measure | None, name: str) -> None:
    if level is None:
        return
    kept = "" if teller.trust.is_exact else " Each key is held against itself alone, for a room makes keys unlike."
    if level.is_told:
        text = f"The same key{name} is struck {level.value:.1f} dB louder or softer from time to time ({level.low:.1f} to {level.high:.1f}).{kept}"
    else:
        text = f"Each key{name} sounds as loud each time as this recording can tell: within {level.floor:.1f} dB.{kept}"
    named = band(level.low, level.high, teller.bands.level_db) if teller.trust.is_exact else None
    teller.add(Kind.EVEN_LEVEL, level, unit="dB", text=text, level=named, hand=hand)


def finger_notes(matching: Matching, *, placed: Mapping[str, Placed]) -> tuple[FingerNote, ...]:
    """Return the notes of the designed take that were played as written, for the fit.

    Parameters
    ----------
    matching : Matching
        What became of each written note.
    placed : mapping of str to Placed
        Each note's finger and visit, by its id (:func:`reviews.compare.designed.placed_of`).

    Returns
    -------
    tuple of FingerNote
        In playing order; empty of any other take.

    Examples
    --------
    >>> from reviews.compare import CompareSettings, expect
    >>> from reviews.compare.matching import match
    >>> finger_notes(match([], expected=expect([]), settings=CompareSettings()), placed={})
    ()
    """
    return tuple(
        FingerNote(
            finger=place.finger,
            pitch_midi=note.pitch_midi,
            visit=place.visit,
            onset_s=note.onset_s,
            level_db=note.level_db,
            is_first_beat=place.is_first_beat,
        )
        for note in matching.notes
        if (place := placed.get(note.id)) is not None
        and place.is_counted
        and note.state == State.PLAYED
        and note.onset_s is not None
        and note.level_db is not None
    )


def fit_take(matching: Matching, *, placed: Mapping[str, Placed], trust: Trust) -> FingerFit:
    """Return what the designed take says of fingers, or why it says nothing.

    Parameters
    ----------
    matching : Matching
        What became of each written note.
    placed : mapping of str to Placed
        As for :func:`finger_notes`.
    trust : Trust
        How good the recording is.

    Returns
    -------
    FingerFit
        With a doubt where levels cannot be trusted.

    Examples
    --------
    >>> from reviews.compare import CompareSettings, expect
    >>> from reviews.compare.matching import match
    >>> str(fit_take(match([], expected=expect([]), settings=CompareSettings()), placed={}, trust=Trust(has_own_levels=False)).doubt)
    'not_alone'
    """
    if not trust.has_steady_level:
        return FingerFit((), doubt=FingerDoubt.LEVELS_BENT)
    if not trust.has_own_levels:
        return FingerFit((), doubt=FingerDoubt.NOT_ALONE)
    return fit_fingers(finger_notes(matching, placed=placed))


def _fingers(teller: _Teller) -> None:
    """What the designed take tells of each finger; nothing of any other playing."""
    placed = teller.written.placed
    if not placed:
        return
    fit = fit_take(teller.matching, placed=placed, trust=teller.trust)
    texts, chosen = finger_words(fit)
    for text, one in zip(texts, chosen, strict=True):
        measure = Measure(value=one.value_db, low=one.low_db, high=one.high_db, floor=one.half_db, count=one.count)
        teller.add(Kind.FINGERS, measure, unit="dB", text=text)


def _hand_name(matching: Matching, hand: Hand) -> str:
    return f" of the {hand} hand" if len(matching.hands) > 1 else ""


def _values(teller: _Teller) -> None:
    for hand in HANDS:
        gaps = gaps_of(strokes_of(teller.matching, hand=hand), settings=teller.settings)
        for value, measure in sorted(proportions_of(gaps).items()):
            off = measure.value - 1
            if abs(off) <= measure.floor or measure.low <= 1 <= measure.high:
                continue
            name = VALUE_NAMES.get(value, f"notes of {value:g} beats")
            text = f"{name.capitalize()}{_hand_name(teller.matching, hand)} come {abs(100 * off):.0f} % too {'long' if off > 0 else 'short'} beside the others."  # fmt: skip
            teller.add(Kind.VALUES, measure, unit="ratio", text=text, hand=hand)


def _together(teller: _Teller) -> None:
    apart = hands_apart_ms(teller.matching, trust=teller.trust) if len(teller.matching.hands) == 2 else None
    if apart is not None:
        middle, p90 = apart
        is_told = abs(middle.value) > middle.floor
        text = (
            f"The left hand comes {abs(middle.value):.0f} ms {'after' if middle.value > 0 else 'before'} the right where both strike together."
            if is_told
            else f"The hands strike together, as far as this recording can tell: within {middle.floor:.0f} ms."
        )
        if p90 > 3 * middle.floor:
            text += f" One time in ten they are {p90:.0f} ms apart or more."
        teller.add(Kind.HANDS_APART, middle, unit="ms", text=text)
    for hand in HANDS:
        spread = chord_spread_ms(teller.matching, hand=hand, trust=teller.trust)
        if spread is not None:
            text = (
                f"The notes of chords{_hand_name(teller.matching, hand)} come one after the other, over {spread.value:.0f} ms."
                if spread.is_told
                else f"The notes of chords{_hand_name(teller.matching, hand)} strike together, as far as can be told."
            )
            teller.add(Kind.CHORD_SPREAD, spread, unit="ms", text=text, hand=hand)


def _dynamics(teller: _Teller) -> None:
    strokes = strokes_of(teller.matching)
    # A phone that evens loudness out, or cuts it off, keeps half of a growth or less (measured): nothing is said then, and the limit is named.
    if len(strokes) < teller.settings.least_notes or not teller.trust.has_steady_level:
        return
    floor = 0.5 if teller.trust.is_exact else 3.0
    marked = _marked(strokes, teller.written.dynamics)
    if min(len(marked["soft"]), len(marked["loud"])) >= LEAST_SECTION:
        soft, loud = (np.array([stroke.level_db for stroke in marked[name]]) for name in ("soft", "loud"))
        value = float(np.median(loud) - np.median(soft))
        error = Z * sqrt(float(np.var(soft)) / len(soft) + float(np.var(loud)) / len(loud))
        measure = Measure(value=value, low=value - error, high=value + error, floor=floor, count=len(soft) + len(loud))
        clear = measure.low > CLEAR_CONTRAST_DB
        none = measure.high < floor
        words = "a clear contrast" if clear else "no contrast that could be told" if none else "some contrast"
        text = f"What is marked loud sounds {value:.0f} dB louder than what is marked soft ({measure.low:.0f} to {measure.high:.0f}): {words}."
        teller.add(Kind.DYNAMICS, measure, unit="dB", text=text)
        return
    times = np.array([stroke.onset_s for stroke in strokes])
    levels = np.array([stroke.level_db for stroke in strokes])
    reach = float(np.ptp(times))
    if reach <= 0:
        return
    slope, shift = np.polyfit(times, levels, 1)
    rest = levels - np.polyval((slope, shift), times)
    # Recorded anew, a growth of events is off by 0.4 dB (RMS) whatever the number of events, on some pianos by 0.7: half a floor more.
    error = Z * float(np.std(rest)) / (float(np.std(times)) * sqrt(len(times))) * reach + floor / 2
    value = float(slope) * reach
    measure = Measure(value=value, low=value - error, high=value + error, floor=floor, count=len(strokes))
    is_told = abs(value) > floor and not measure.low <= 0 <= measure.high
    text = f"It grows {'louder' if value > 0 else 'softer'} by {abs(value):.0f} dB from start to end." if is_told else "As loud at the end as at the start, as far as can be told."  # fmt: skip
    teller.add(Kind.LEVEL_TREND, measure, unit="dB", text=text)


def _marked(strokes: Sequence[Stroke], dynamics: Sequence[tuple[float, str]]) -> dict[str, list[Stroke]]:
    found: dict[str, list[Stroke]] = {"soft": [], "loud": []}
    marks = sorted(dynamics)
    for stroke in strokes:
        now = [text for at, text in marks if at <= stroke.onset_beat + 1e-6]
        if now and now[-1] in SOFT:
            found["soft"].append(stroke)
        elif now and now[-1] in LOUD:
            found["loud"].append(stroke)
    return found


def _touch(teller: _Teller, hand: Hand) -> None:
    touch = touch_of(teller.matching, hand=hand, trust=teller.trust)
    if touch is None:
        return
    share = 100 * touch.value
    how = "short" if touch.high < 0.6 else "joined" if touch.low > 0.9 else "between short and joined"
    text = f"Notes{_hand_name(teller.matching, hand)} sound for {share:.0f} % of the way to the next: {how}."
    teller.add(Kind.TOUCH, touch, unit="share", text=text, hand=hand)
