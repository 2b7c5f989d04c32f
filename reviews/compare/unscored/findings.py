"""What is to be said of a playing without a score, in the learner's words. Nothing here is about right notes."""

from collections.abc import Sequence
from math import sqrt

import numpy as np

from reviews.compare.findings import DIMENSIONS, Finding, FindingSettings, Kind, Z, band
from reviews.compare.measures import (
    FLOOR_EVENT_DB,
    FLOOR_EXACT_DB,
    FLOOR_POOR_DB,
    FLOOR_SAME_KEY_DB,
    Measure,
    Trust,
    detrended_ms,
    ioi_floor_ms,
    own_key_spread,
    proportions_of,
    spread,
    tempo_over,
)
from reviews.compare.settings import CompareSettings
from reviews.compare.unscored.laying import Asked, Laid
from reviews.compare.unscored.pulse import LEAST_GAPS
from reviews.compare.unscored.regular import Regular, evenness_ms, medians_apart, regular_of, steadiness_pct
from reviews.compare.unscored.repeats import Occurrence, Stretch

NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
NAMES = {
    0.25: "sixteenths", 0.3333: "triplet eighths", 0.5: "eighths", 0.6667: "triplet quarters", 0.75: "dotted eighths", 1.0: "quarters",
    1.5: "dotted quarters", 2.0: "halves", 3.0: "dotted halves", 4.0: "wholes",
}  # fmt: skip
# Places that a sentence names; more make it a list.
MOST_PLACES = 6
# Per cent by which two playings of a stretch must differ in tempo to be called faster or slower (rubric: drift of the best level).
TEMPO_DIFFERS_PCT = 3.0


def find_unscored(
    laid: Laid,
    *,
    trust: Trust,
    asked: Asked | None = None,
    settings: CompareSettings | None = None,
    bands: FindingSettings | None = None,
) -> tuple[Finding, ...]:
    """Return what is to be said about a playing of which no notes are written down.

    Parameters
    ----------
    laid : Laid
        The playing on its own pulse.
    trust : Trust
        How good the recording is.
    asked : Asked, optional
        What is known of it.
    settings, bands : optional
        As for a comparison with a score.

    Returns
    -------
    tuple of Finding
        Nothing heard gives an empty tuple. Levels are named for exercises only.
    """
    teller = _Teller(laid, trust, asked or Asked(), settings or CompareSettings(), bands or FindingSettings())
    if not laid.strikes:
        return ()
    teller.pulse()
    teller.stops()
    teller.repeats()
    teller.rhythm()
    teller.evenness()
    teller.levels()
    return tuple(teller.found)


class _Teller:
    def __init__(
        self, laid: Laid, trust: Trust, asked: Asked, settings: CompareSettings, bands: FindingSettings
    ) -> None:
        self.laid, self.trust, self.asked, self.settings, self.bands = laid, trust, asked, settings, bands
        self.found: list[Finding] = []
        self.is_line = all(len(strike.pitches) == 1 for strike in laid.strikes)

    def add(self, kind: Kind, measure: Measure, *, unit: str, text: str, level: int | None = None) -> None:
        self.found.append(
            Finding(
                kind=kind,
                dimension=DIMENSIONS[kind],
                bars=(),
                value=measure.value,
                unit=unit,
                floor=measure.floor,
                low=measure.low,
                high=measure.high,
                text=text,
                level=level if self.asked.is_exercise else None,
            )
        )

    def pulse(self) -> None:
        laid = self.laid
        if laid.pulse is None:
            few = len(laid.strikes) <= LEAST_GAPS
            count = len(laid.strikes)
            text = (
                f"Only {counted(count, 'strike')} {'was' if count == 1 else 'were'} heard, too few for a pulse."
                if few
                else "No steady pulse could be found. Free playing has none; how even the gaps are cannot be told then."
            )
            self.add(Kind.IRREGULAR, exact(0.0, floor=self.settings.least_notes), unit="notes", text=text)
            return
        tempo = tempo_over(laid.gaps, trust=self.trust)
        bpm = laid.pulse.bpm
        steady = steadiness_pct(laid, trust=self.trust)
        error = bpm / 100 * (steady.value if steady is not None else 0.0) / sqrt(max(len(laid.gaps) / 7, 1))
        text = f"The pulse is about {bpm:.0f} a minute."
        if laid.pulse.others and not self.asked.bpm:
            text += f" Whoever counts half or double beats would say {' or '.join(f'{other:.0f}' for other in laid.pulse.others)}: it is the same playing."
        self.add(Kind.PULSE, Measure(value=bpm, low=bpm - Z * error, high=bpm + Z * error, floor=0.0, count=len(laid.gaps)), unit="bpm", text=text)  # fmt: skip
        if steady is not None:
            text = (
                f"For most of the time the pulse stays within {_pct(steady.value)} % of that ({_pct(steady.low)} to {_pct(steady.high)})."
                if steady.is_told and round(steady.value) >= 1
                else f"The pulse is as steady as this recording can tell: within {max(steady.floor, steady.value):.1f} %."
            )
            self.add(Kind.STEADINESS, steady, unit="%", text=text)
        if tempo is not None:
            self._drift(tempo.drift_pct)
        if self.asked.bpm:
            frac = bpm / self.asked.bpm - 1
            near = abs(frac) <= self.bands.asked_bpm_frac
            text = f"Played at about {bpm:.0f}; {self.asked.bpm:.0f} was asked."
            text += (
                " That is the tempo of the week."
                if near
                else f" That is {abs(100 * frac):.0f} % {'faster' if frac > 0 else 'slower'}."
            )
            self.add(Kind.ASKED_TEMPO, exact(bpm, floor=1.0), unit="bpm", text=text)

    def _drift(self, drift: Measure) -> None:
        crosses = drift.low <= 0 <= drift.high
        text = (
            f"The end is {abs(drift.value):.0f} % {'faster' if drift.value > 0 else 'slower'} than the beginning."
            if not crosses and abs(drift.value) > drift.floor
            else "No drift that could be told from chance: the end is as fast as the beginning."
        )
        sizes = (0.0 if crosses else min(abs(drift.low), abs(drift.high)), max(abs(drift.low), abs(drift.high)))
        self.add(Kind.TEMPO_DRIFT, drift, unit="%", text=text, level=band(*sizes, self.bands.drift_pct))

    def stops(self) -> None:
        laid = self.laid
        if len(laid.strikes) <= LEAST_GAPS:
            return
        count, doubtful = len(laid.stops), len(laid.long_s)
        if count:
            places = places_in_words([stop.at_s for stop in laid.stops])
            text = f"{counted(count, 'stop').capitalize()}, before {places}: about {sum(stop.lost_s for stop in laid.stops):.1f} seconds in all."
        elif laid.pulse is None:
            text = "No long pause."
        else:
            text = "No stop that could be told."
        if doubtful:
            text += f" {counted(doubtful, 'gap').capitalize()} before {places_in_words(laid.long_s)} {'is' if doubtful == 1 else 'are'} as long as a longer note: without a score that cannot be told from a stop."
        elif laid.pulse is not None and not laid.fits_rhythm:
            text += " A stop exactly as long as a longer note cannot be told from one without a score."
        measure = Measure(value=count, low=count, high=count + doubtful, floor=0.0, count=len(laid.strikes))
        self.add(Kind.HESITATIONS, measure, unit="stops", text=text)

    def repeats(self) -> None:
        for stretch in self.laid.stretches:
            count = len(stretch.occurrences)
            starts = places_in_words([self.laid.strikes[each.first].onset_s for each in stretch.occurrences])
            text = f"You played the same {stretch.length} strikes {times(count)}, from {starts}."
            for line in self._compared(stretch):
                text += f" {line}"
            self.add(Kind.REPEATS, exact(float(count), floor=0.0), unit="times", text=text)

    def _compared(self, stretch: Stretch) -> list[str]:
        """Return how the last playing of a stretch differs from the first, where that can be told."""
        first, last = stretch.occurrences[0], stretch.occurrences[-1]
        name = ORDINALS[len(stretch.occurrences) - 1] if len(stretch.occurrences) <= len(ORDINALS) else "last"
        told = []
        pace = self._pace_pct(first, last)
        if pace is not None and abs(pace.value) > max(TEMPO_DIFFERS_PCT, pace.floor) and not pace.low <= 0 <= pace.high:
            told.append(f"{abs(pace.value):.0f} % {'faster' if pace.value > 0 else 'slower'}")
        loud = self._louder_db(first, last)
        if loud is not None and abs(loud.value) > loud.floor and not loud.low <= 0 <= loud.high:
            told.append(f"{abs(loud.value):.0f} dB {'louder' if loud.value > 0 else 'softer'}")
        stops = [sum(each.first < stop.strike <= each.last for stop in self.laid.stops) for each in (first, last)]
        lines = [f"The {name} was {' and '.join(told)} than the first."] if told else [f"In tempo and loudness the {name} cannot be told from the first."]  # fmt: skip
        if stops[0] != stops[1]:
            lines.append(f"It had {counted(stops[1], 'stop')}; the first had {counted(stops[0], 'stop')}.")
        return lines

    def _pace_pct(self, first: Occurrence, last: Occurrence) -> Measure | None:
        gaps = [self._gaps_by_place(each) for each in (first, last)]
        shared = sorted(gaps[0].keys() & gaps[1].keys())
        if len(shared) < 6:
            return None
        one, other = ([float(np.log(each[place])) for place in shared] for each in gaps)
        found = medians_apart(one, other, floor=0.0)
        usual_s = float(np.median([gaps[0][place] for place in shared]))
        floor = 100.0 * 2.0 * sqrt(2.0) * self.trust.onset_sd_s / (usual_s * sqrt(len(shared)))
        value, low, high = (100.0 * (float(np.exp(each)) - 1.0) for each in (found.value, found.low, found.high))
        return Measure(value=value, low=low, high=high, floor=floor, count=len(shared))

    def _gaps_by_place(self, occurrence: Occurrence) -> dict[int, float]:
        stopped = {stop.strike for stop in self.laid.stops}
        return {
            place: self.laid.strikes[after].onset_s - self.laid.strikes[strike].onset_s
            for (place, strike), (next_place, after) in zip(occurrence.pairs, occurrence.pairs[1:], strict=False)
            if next_place == place + 1 and after == strike + 1 and after not in stopped
        }

    def _louder_db(self, first: Occurrence, last: Occurrence) -> Measure | None:
        strikes = self.laid.strikes
        one, other = dict(first.pairs), dict(last.pairs)
        shared = [place for place in sorted(one.keys() & other.keys()) if strikes[one[place]].pitches == strikes[other[place]].pitches]  # fmt: skip
        if len(shared) < 6:
            return None
        return medians_apart([strikes[other[place]].level_db for place in shared], [strikes[one[place]].level_db for place in shared], floor=own_key_floor_db(self.trust))  # fmt: skip

    def rhythm(self) -> None:
        """How the playing lies on a typed rhythm. It knows no pitches, so that a wrong note in its time is no fault here."""
        laid, beats = self.laid, self.asked.rhythm_beats
        if not beats or len(laid.strikes) <= LEAST_GAPS:
            return
        heard, written = len(laid.strikes), len(beats)
        if not laid.fits_rhythm:
            text = "What was heard cannot be laid on the rhythm that was typed"
            text += (
                f": from {places_in_words([laid.misfit_s])} on it is another one." if laid.misfit_s is not None else "."
            )
            text += f" {heard} strikes were heard; typed are {counted(written, 'note')}."
            self.add(Kind.IRREGULAR, exact(0.0, floor=0.0), unit="notes", text=text)
            return
        rounds, rest = divmod(heard, written)
        text = f"{heard} strikes were heard; the rhythm that was typed has {counted(written, 'note')}."
        if not laid.breaks_s and rounds:
            text += f" That is {times(rounds)} through" + (
                f" and {NUMBERS[rest] if rest < len(NUMBERS) else rest} more." if rest else ", to the note."
            )
        elif not laid.breaks_s:
            text += " It was not played to its end."
        else:
            breaks = len(laid.breaks_s)
            where = f"At {places_in_words(laid.breaks_s)}" if breaks <= MOST_PLACES else f"In {breaks} places"
            text += f" {where} it goes on from another place of it: a note too many or too few there, or you went back."
        self.add(Kind.STRIKES, exact(float(heard), floor=0.0), unit="strikes", text=text)

    def evenness(self) -> None:
        if self.laid.pulse is None:
            return
        if self.laid.fits_rhythm and len(set(self.asked.rhythm_beats)) > 1:
            self._values()
            self._against_written()
            return
        regular = regular_of(self.laid)
        if regular is not None and regular.pairs is not None:
            pairs = regular.pairs
            text = f"Long and short gaps take turns: the long ones are {pairs.value:.1f} times as long ({pairs.low:.1f} to {pairs.high:.1f})."  # fmt: skip
            if self.laid.fits_rhythm:
                text += " Written they are equal."
            self.add(Kind.VALUES, pairs, unit="ratio", text=text)
        if regular is None or regular.notes < self.settings.least_notes:
            notes = 0 if regular is None else regular.notes
            text = f"No stretch is regular for long enough to say how even the gaps are: {self.settings.least_notes} notes of one value are needed. Music that breathes is not regular; that is no fault."  # fmt: skip
            self.add(Kind.IRREGULAR, exact(float(notes), floor=self.settings.least_notes), unit="notes", text=text)
            return
        self._gaps(regular)

    def _against_written(self) -> None:
        gaps, least = self.laid.gaps, self.settings.least_notes
        notes = len({stroke.event for gap in gaps for stroke in (gap.start, gap.end)})
        if notes < least:
            text = f"{notes} notes are too few to say how far gaps lie from their written length: {least} are needed."
            self.add(Kind.IRREGULAR, exact(float(notes), floor=least), unit="notes", text=text)
            return
        late = detrended_ms(gaps)
        sd = spread(late, floor=ioi_floor_ms(self.trust, is_line=self.is_line))
        mad_ms = float(1.4826 * np.median(np.abs(late - np.median(late))))
        usual_ms = 1000.0 * float(np.median([gap.seconds for gap in gaps]))
        self._spread(sd, mad_ms=mad_ms, usual_ms=usual_ms, where=f"Held against the rhythm that was typed ({notes} notes), gaps", what="their length")  # fmt: skip

    def _gaps(self, regular: Regular) -> None:
        sd, mad_ms = evenness_ms(regular, trust=self.trust, is_line=self.is_line)
        self._spread(sd, mad_ms=mad_ms, usual_ms=regular.usual_ms, where=f"Where it is regular ({regular.notes} notes), gaps", what="even")  # fmt: skip

    def _spread(self, sd: Measure, *, mad_ms: float, usual_ms: float, where: str, what: str) -> None:
        """Say how far gaps lie from what they should be."""
        least, frac = self.bands.gap_least_ms, self.bands.gap_frac
        borders = (max(least[0], frac[0] * usual_ms), max(least[1], frac[1] * usual_ms), max(least[2], frac[2] * usual_ms))  # fmt: skip
        if sd.is_told:
            text = f"{where} differ by {sd.value:.0f} ms from {what} ({sd.low:.0f} to {sd.high:.0f}), with a usual gap of {usual_ms:.0f} ms."  # fmt: skip
            if sd.value > 1.5 * mad_ms and sd.value - mad_ms > sd.floor:
                text += f" A few gaps make most of that; without them it is {mad_ms:.0f} ms."
            level = band(sd.low, sd.high, borders)
        else:
            how = "even" if what == "even" else "close to it"
            text = f"{where} are as {how} as this recording can tell: under {sd.floor:.0f} ms."
            level = band(0.0, sd.floor, borders)
        self.add(Kind.GAPS, sd, unit="ms", text=text, level=level)

    def _values(self) -> None:
        found = sorted(proportions_of(self.laid.gaps).items())
        off = [(value, measure) for value, measure in found if abs(measure.value - 1) > measure.floor and not measure.low <= 1 <= measure.high]  # fmt: skip
        for value, measure in off:
            by = measure.value - 1
            text = f"{value_name(value).capitalize()} come {abs(100 * by):.0f} % too {'long' if by > 0 else 'short'} beside the others."
            self.add(Kind.VALUES, measure, unit="ratio", text=text)
        if found and not off:
            names = [value_name(value) for value, _ in found]
            farthest = max((measure for _, measure in found), key=lambda measure: abs(measure.value - 1))
            text = f"{', '.join(names[:-1]).capitalize()} and {names[-1]} keep their proportions, as far as this recording can tell."
            self.add(Kind.VALUES, farthest, unit="ratio", text=text)

    def levels(self) -> None:
        strokes = self.laid.strokes
        if len(strokes) < self.settings.least_notes:
            return
        own = own_key_spread(strokes, trust=self.trust, least=self.settings.least_notes)
        if own is not None:
            kept = (
                "" if self.trust.is_exact else " Each key is held against itself alone, for a room makes keys unlike."
            )
            text = (
                f"The same key is struck {own.value:.1f} dB louder or softer from time to time ({own.low:.1f} to {own.high:.1f}).{kept}"
                if own.is_told
                else f"Each key sounds as loud each time as this recording can tell: within {own.floor:.1f} dB.{kept}"
            )
            level = band(own.low, own.high, self.bands.level_db) if self.trust.is_exact else None
            self.add(Kind.EVEN_LEVEL, own, unit="dB", text=text, level=level)
        trend = trend_db(self.laid, trust=self.trust)
        if trend is not None:
            is_told = abs(trend.value) > trend.floor and not trend.low <= 0 <= trend.high
            text = f"It grows {'louder' if trend.value > 0 else 'softer'} by {abs(trend.value):.0f} dB from start to end." if is_told else "As loud at the end as at the start, as far as can be told."  # fmt: skip
            self.add(Kind.LEVEL_TREND, trend, unit="dB", text=text)


def _pct(value: float) -> str:
    return f"{value:.1f}" if value < 2 else f"{value:.0f}"


def trend_db(laid: Laid, *, trust: Trust) -> Measure | None:
    """Return by how many decibels a playing grows from start to end.

    Each key or chord that returns is held against its own usual level, for a room makes keys unlike; where too few return, strikes are
    compared with each other and the floor is wider.

    Parameters
    ----------
    laid : Laid
        The playing.
    trust : Trust
        How good the recording is.

    Returns
    -------
    Measure or None
        Positive is louder at the end; None where all is struck at once.
    """
    by_kind: dict[tuple[int, ...], list[int]] = {}
    for index, stroke in enumerate(laid.strokes):
        by_kind.setdefault(stroke.pitches, []).append(index)
    again = [same for same in by_kind.values() if len(same) >= 2]
    levels = np.array([stroke.level_db for stroke in laid.strokes])
    times = np.array([stroke.onset_s for stroke in laid.strokes])
    if sum(len(same) for same in again) >= 24:
        # Trend and keys are fitted together: both values lose their key's mean.
        used = np.array(sorted(index for same in again for index in same))
        x, y = times.copy(), levels.copy()
        for same in again:
            x[same] -= np.mean(times[same])
            y[same] -= np.mean(levels[same])
        x, y, keys, floor = x[used], y[used], len(again), own_key_floor_db(trust)
    else:
        x, y, keys, floor = times - np.mean(times), levels - np.mean(levels), 1, FLOOR_EXACT_DB if trust.is_exact else FLOOR_EVENT_DB  # fmt: skip
    weight, reach = float(np.sum(x * x)), float(np.ptp(times))
    if weight <= 0:
        return None
    slope = float(np.sum(x * y)) / weight
    rest = y - slope * x
    error = Z * sqrt(float(np.sum(rest * rest)) / max(len(x) - keys - 1, 1) / weight) * reach
    value = slope * reach
    return Measure(value=value, low=value - error, high=value + error, floor=floor, count=len(x))


def own_key_floor_db(trust: Trust) -> float:
    """Return below which a key cannot be told from itself.

    Parameters
    ----------
    trust : Trust
        How good the recording is.

    Returns
    -------
    float
        Decibels.
    """
    return FLOOR_EXACT_DB if trust.is_exact else FLOOR_POOR_DB if trust.is_poor else FLOOR_SAME_KEY_DB


def exact(value: float, *, floor: float) -> Measure:
    """Return a number that is counted, not estimated.

    Parameters
    ----------
    value, floor : float
        Same unit.

    Returns
    -------
    Measure
        Whose interval is the number itself.
    """
    return Measure(value=value, low=value, high=value, floor=floor, count=1)


def value_name(beats: float) -> str:
    """Return what notes of a length are called.

    Parameters
    ----------
    beats : float
        Quarters.

    Returns
    -------
    str
        A plural, such as “dotted quarters”.

    Examples
    --------
    >>> value_name(1.5), value_name(1.25)
    ('dotted quarters', 'notes of 1.25 quarters')
    """
    return NAMES.get(round(beats, 4), f"notes of {beats:g} quarters")


def counted(count: int, name: str) -> str:
    """Return a number and what it counts, as a learner reads it.

    Parameters
    ----------
    count : int
        0 or more.
    name : str
        The singular.

    Returns
    -------
    str
        Such as “two stops”.

    Examples
    --------
    >>> counted(1, "stop"), counted(2, "stop"), counted(20, "gap")
    ('one stop', 'two stops', '20 gaps')
    """
    return f"{NUMBERS[count] if count < len(NUMBERS) else count} {name}{'' if count == 1 else 's'}"


def times(count: int) -> str:
    """Return how often.

    Parameters
    ----------
    count : int
        1 or more.

    Returns
    -------
    str
        “once”, “twice”, “three times”.
    """
    return {1: "once", 2: "twice"}.get(count) or counted(count, "time")


def places_in_words(moments_s: Sequence[float]) -> str:
    """Return moments as minutes and seconds of the clip.

    Parameters
    ----------
    moments_s : sequence of float
        Seconds; at least one.

    Returns
    -------
    str
        At most six of them.

    Examples
    --------
    >>> places_in_words([12.4]), places_in_words([12.4, 61.0, 75.9])
    ('0:12', '0:12, 1:01 and 1:15')
    """
    shown = [f"{int(at_s) // 60}:{int(at_s) % 60:02}" for at_s in moments_s[:MOST_PLACES]]
    more = len(moments_s) - len(shown)
    if more:
        return f"{', '.join(shown)} and {more} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
