"""What sounds when a score is played as it is written: seconds, keys, hands, and the clicks that count along.

The question answered: *at which second does each key go down and come up again, at the written tempo?* Another tempo only stretches
the answer, so whoever plays it (a browser, on its own clock) multiplies.

Rules a learner can hear
------------------------
* **Tempo** is the one written where the eye is: going back in a repeat goes back to the tempo of that place. Where a score begins
  without one, it is played at :data:`DEFAULT_BPM`, and the answer says that this is not written.
* **Repeats** are unfolded and **ties** merged (:mod:`curriculum.score.playing`).
* **Grace notes** are played before the note they lean on, each :data:`GRACE_S` long, so that the main note stays on its beat. Several
  lean on it one behind the other; where that would reach back over half of the time since the note before, they are quicker.
* **Staccato** halves a note, and a **pedal** that is down when it ends holds it until it is lifted. A key that is struck again ends
  its own note first. Other signs (trills, turns, tremolos, glissandi, fermatas, dynamics) change nothing here; `unplayed` names
  those that a listener would miss.
* **Clicks** fall on the beats of the metre: three quarters in 3/4, two dotted quarters in 6/8, and the groups in (3+2)/8. A pickup is
  counted as the end of a bar.

Worked example: two quarters at 120, the second staccato.

>>> from fractions import Fraction
>>> from curriculum.score.making import PlannedNote, make_score, plain_bars
>>> from curriculum.score.notes import Tempo
>>> from dataclasses import replace
>>> planned = [PlannedNote(Fraction(0), Fraction(1), "C"), PlannedNote(Fraction(1), Fraction(1), "D", articulations=("staccato",))]
>>> score = replace(make_score(planned, bars=plain_bars(1)), tempi=(Tempo(0, Fraction(0), Fraction(120)),))
>>> [(note.pitch_midi, note.at_s, note.end_s) for note in sounding(score).notes]
[(60, 0.0, 0.5), (62, 0.5, 0.75)]
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from curriculum.score.notes import ZERO, DueNote, Hand, MarkKind, Metre, WrittenNote, WrittenScore
from curriculum.score.playing import bar_order, in_playing_order

# Quarters a minute where none are written: a quarter a second, slow enough to follow. Another number only moves what 100 % means.
DEFAULT_BPM = Fraction(60)
# Seconds that one grace note takes at the written tempo: about as short as a learner plays one. Longer, and they sound like notes of
# their own; shorter, and they are heard as one chord with the main note.
GRACE_S = 0.09
# The most that grace notes take of the time since the note before them.
GRACE_SHARE = 0.5
# What is left of a note, as a part of its written length.
SHORTENED = {"staccato": 0.5, "staccatissimo": 0.3}
# Shortest that a key stays down, in seconds: less is a click.
LEAST_S = 0.04
# Moments that lie closer together than this are one, in seconds; sums of tempi round far below it.
SAME_S = 1e-6
# Signs on a note, and between places, that a listener would miss.
_UNPLAYED_MARKS = {MarkKind.GLISSANDO: "glissando", MarkKind.TRILL_LINE: "trill"}
_COMPOUND_FROM = 6  # beats of a compound metre: 6, 9, 12 ...


@dataclass(frozen=True, slots=True)
class Head:
    """A note-head on the paper while its key is down: its id, and from when until when it is due (seconds)."""

    id: str
    at_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class SoundingNote:
    """One key: down at ``at_s``, up at ``end_s``. ``bar`` is the place of its bar in playing order, from 0."""

    at_s: float
    end_s: float
    pitch_midi: int
    hand: Hand | None
    bar: int
    heads: tuple[Head, ...]


@dataclass(frozen=True, slots=True)
class PlayedBar:
    """One bar in playing order.

    ``index`` is that of the printed bar. ``metre`` points into :attr:`Sounding.metres`; ``beat_s`` is the length of a quarter where the
    bar begins; ``missing_beat`` is what a pickup lacks at its start (quarters), 0 otherwise.
    """

    index: int
    at_s: float
    end_s: float
    metre: int
    beat_s: float
    missing_beat: float


@dataclass(frozen=True, slots=True)
class CountedMetre:
    """How a full bar is counted: its length and the places of its beats, in quarters from its start."""

    length_beat: float
    pulses_beat: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Click:
    """A beat of the metre: when (seconds), and whether it is the first of its bar."""

    at_s: float
    is_first: bool


@dataclass(frozen=True, slots=True)
class Sounding:
    """A score as it sounds. 0 s is where the first played bar begins, a pickup included; grace notes may be before it."""

    bpm: float  # quarters a minute at the start
    is_written: bool  # whether that tempo stands in the score
    bars: tuple[PlayedBar, ...] = ()
    metres: tuple[CountedMetre, ...] = ()
    clicks: tuple[Click, ...] = ()
    notes: tuple[SoundingNote, ...] = ()  # sorted by at_s, then pitch
    unplayed: tuple[str, ...] = field(default=())  # signs that are not played out, sorted


def sounding(score: WrittenScore) -> Sounding:
    """Return a score in seconds, at its written tempo.

    Parameters
    ----------
    score : WrittenScore
        Any score.

    Returns
    -------
    Sounding
        Bars and clicks in playing order and notes sorted by time; without notes for a score without notes.

    Raises
    ------
    ScoreContentError
        If repeats make the piece endless or absurdly long.

    Examples
    --------
    >>> sounding(WrittenScore(bars=(), notes=())).notes
    ()
    """
    order = bar_order(score.bars)
    clock = _Clock(score, order)
    metres: list[CountedMetre] = []
    bars: list[PlayedBar] = []
    clicks: list[Click] = []
    for place, index in enumerate(order):
        bar, start = score.bars[index], clock.starts[place]
        counted = counted_metre(bar.metre)
        if counted not in metres:
            metres.append(counted)
        missing = max(Fraction(counted.length_beat) - bar.length_beat, ZERO) if bar.pickup else ZERO
        bars.append(
            PlayedBar(
                index,
                clock.seconds(start),
                clock.seconds(start + bar.length_beat),
                metres.index(counted),
                clock.beat_s(start),
                float(missing),
            )
        )
        clicks += [
            Click(clock.seconds(start + at - missing), at == 0)
            for at in _pulses(counted, length=bar.length_beat + missing)
            if at >= missing
        ]
    return Sounding(
        bpm=float(score.bpm or DEFAULT_BPM),
        is_written=score.bpm is not None,
        bars=tuple(bars),
        metres=tuple(metres),
        clicks=tuple(clicks),
        notes=tuple(_notes(score, order, clock)),
        unplayed=tuple(sorted(_unplayed(score))),
    )


def counted_metre(metre: Metre | None) -> CountedMetre:
    """Return how a bar of a metre is counted; quarters of four where there is none.

    Parameters
    ----------
    metre : Metre or None
        A time signature.

    Returns
    -------
    CountedMetre
        Length and beats, in quarters.

    Examples
    --------
    >>> counted_metre(Metre(6, 8)).pulses_beat
    (0.0, 1.5)
    >>> counted_metre(Metre(5, 8, groups=(3, 2))).pulses_beat
    (0.0, 1.5)
    """
    metre = metre or Metre()
    unit = Fraction(4, metre.beat_type)
    if len(metre.groups) > 1 and sum(metre.groups) == metre.beats:
        steps = list(metre.groups)
    elif metre.beats >= _COMPOUND_FROM and metre.beats % 3 == 0 and metre.beat_type >= 8:
        steps = [3] * (metre.beats // 3)
    else:
        steps = [1] * metre.beats
    pulses = [sum(steps[:at]) * unit for at in range(len(steps))]
    return CountedMetre(float(metre.length_beat), tuple(float(pulse) for pulse in pulses))


def _pulses(counted: CountedMetre, *, length: Fraction) -> Iterable[Fraction]:
    """Yield the beats of a bar that may be shorter or longer than its metre."""
    last = 0.0
    for pulse in counted.pulses_beat:
        if pulse < length:
            last = pulse
            yield Fraction(pulse)
    step = Fraction(counted.length_beat) - Fraction(counted.pulses_beat[-1])
    at = Fraction(last) + step
    while at < length and last == counted.pulses_beat[-1]:
        yield at
        at += step


class _Clock:
    """From beats in playing order, 0 where the first played bar begins, to seconds."""

    def __init__(self, score: WrittenScore, order: Sequence[int]) -> None:
        self.starts: list[Fraction] = []
        self._beats: list[Fraction] = []
        self._at_s: list[float] = []
        self._beat_s: list[float] = []
        tempi = sorted(score.tempi, key=lambda tempo: (tempo.bar, tempo.offset_beat))
        in_force, by_bar, at = score.bpm or DEFAULT_BPM, {}, 0
        for bar in score.bars:
            changes = {ZERO: in_force}
            while at < len(tempi) and tempi[at].bar == bar.index:
                in_force = tempi[at].bpm
                changes[min(tempi[at].offset_beat, bar.length_beat)] = in_force
                at += 1
            by_bar[bar.index] = changes
        beat = ZERO
        for index in order:
            self.starts.append(beat)
            for offset, bpm in sorted(by_bar[index].items()):
                self._change(beat + offset, bpm)
            beat += score.bars[index].length_beat

    def _change(self, beat: Fraction, bpm: Fraction) -> None:
        beat_s = float(60 / bpm)
        if self._beats and (self._beats[-1] == beat or self._beat_s[-1] == beat_s):
            if self._beats[-1] == beat:
                self._beat_s[-1] = beat_s
            return
        self._at_s.append(self.seconds(beat) if self._beats else 0.0)
        self._beats.append(beat)
        self._beat_s.append(beat_s)

    def seconds(self, beat: Fraction) -> float:
        """Return when a beat falls."""
        at = max(bisect_right(self._beats, beat) - 1, 0)
        return self._at_s[at] + float(beat - self._beats[at]) * self._beat_s[at]

    def beat_s(self, beat: Fraction) -> float:
        """Return the length of a quarter from here on."""
        return self._beat_s[max(bisect_right(self._beats, beat) - 1, 0)]


def _notes(score: WrittenScore, order: Sequence[int], clock: _Clock) -> list[SoundingNote]:
    written = {note.id: note for note in score.notes}
    due = in_playing_order(score)
    # Due notes count from the first full bar; here a pickup counts too.
    shift = score.bars[order[0]].length_beat if order and score.bars[order[0]].pickup else ZERO
    graces = _grace_times(due, shift=shift, clock=clock)
    pedals = _pedals(score, order, clock)
    pedal_starts = [start for start, _ in pedals]
    found = []
    for note in due:
        start = note.onset_beat + shift
        place = bisect_right(clock.starts, start) - 1
        if note.grace:
            at_s, end_s = graces[note.id]
            heads: tuple[Head, ...] = (Head(note.written_id, at_s, end_s),)
        else:
            at_s, end_s = clock.seconds(start), clock.seconds(start + note.duration_beat)
            heads = _heads(note, written, start=start, end_s=end_s, clock=clock)
            share = min((SHORTENED.get(sign, 1.0) for sign in written[note.written_id].articulations), default=1.0)
            end_s = at_s + share * (end_s - at_s)
        pedal = bisect_left(pedal_starts, end_s - SAME_S) - 1  # one that goes down as the note ends does not hold it
        if pedal >= 0 and pedals[pedal][1] > end_s:
            end_s = pedals[pedal][1]
        found.append(SoundingNote(at_s, max(end_s, at_s + LEAST_S), note.pitch_midi, note.hand, place, heads))
    found.sort(key=lambda note: (note.at_s, note.pitch_midi))
    return _damped(found)


def _heads(
    note: DueNote, written: dict[str, WrittenNote], *, start: Fraction, end_s: float, clock: _Clock
) -> tuple[Head, ...]:
    """Return when each of the tied heads of a key is due, the last until the key comes up."""
    starts = [start]
    for head in note.heads[:-1]:
        starts.append(starts[-1] + written[head].duration_beat)
    times = [*(clock.seconds(at) for at in starts), end_s]
    return tuple(Head(head, times[at], times[at + 1]) for at, head in enumerate(note.heads))


def _grace_times(due: Sequence[DueNote], *, shift: Fraction, clock: _Clock) -> dict[str, tuple[float, float]]:
    """Return when each grace note begins and ends: before the note it leans on, in both hands apart."""
    groups: dict[tuple[Hand | None, Fraction], list[DueNote]] = {}
    onsets: dict[Hand | None, list[Fraction]] = {}
    for note in due:
        if note.grace:
            groups.setdefault((note.hand, note.onset_beat), []).append(note)
        else:
            onsets.setdefault(note.hand, []).append(note.onset_beat)
    times: dict[str, tuple[float, float]] = {}
    for (hand, onset), group in groups.items():
        main_s = clock.seconds(onset + shift)
        others = onsets.get(hand, [])
        before = [
            at for at in others[max(bisect_right(others, onset) - 20, 0) : bisect_right(others, onset)] if at < onset
        ]
        each_s = GRACE_S
        if before:
            each_s = min(each_s, GRACE_SHARE * (main_s - clock.seconds(before[-1] + shift)) / len(group))
        for at, note in enumerate(group):
            times[note.id] = (main_s - (len(group) - at) * each_s, main_s - (len(group) - at - 1) * each_s)
    return times


def _pedals(score: WrittenScore, order: Sequence[int], clock: _Clock) -> list[tuple[float, float]]:
    """Return from when until when a pedal is down, as long as the bars between are played one after the other."""
    spans = [mark for mark in score.marks if mark.kind is MarkKind.PEDAL and mark.to_bar is not None]
    found: list[tuple[float, float]] = []
    for mark in spans:
        first, last = mark.bar, mark.to_bar or mark.bar
        wanted = tuple(range(first, last + 1))
        for place, index in enumerate(order):
            if index != first or tuple(order[place : place + len(wanted)]) != wanted:
                continue
            end = clock.starts[place + last - first] + (mark.to_offset_beat or ZERO)
            found.append((clock.seconds(clock.starts[place] + mark.offset_beat), clock.seconds(end)))
    return sorted(found)


def _damped(notes: Sequence[SoundingNote]) -> list[SoundingNote]:
    """Let no note of a key ring into the next one of the same key."""
    following: dict[int, float] = {}
    found = []
    for note in reversed(notes):
        again_s = following.get(note.pitch_midi)
        if again_s is not None and note.at_s < again_s < note.end_s:
            note = SoundingNote(note.at_s, again_s, note.pitch_midi, note.hand, note.bar, note.heads)
        if again_s is None or note.at_s < again_s:
            following[note.pitch_midi] = note.at_s
        found.append(note)
    return found[::-1]


def _unplayed(score: WrittenScore) -> set[str]:
    named = {_UNPLAYED_MARKS[mark.kind] for mark in score.marks if mark.kind in _UNPLAYED_MARKS}
    for note in score.notes:
        named |= {ornament.removeprefix("inverted-").removesuffix("-mark") for ornament in note.ornaments}
    return named
