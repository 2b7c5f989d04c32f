"""Detectors for what one hand does on the keyboard: places, runs, chords, leaps."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from curriculum.score.demands.digest import Digest, Event
from curriculum.score.demands.vocabulary import Find

# Letters. A hand in place covers five, from the first to the fifth is four.
PLACE_SPAN = 4
OCTAVE_PLACES = 7
OCTAVE_SEMITONES = 12
# Semitones. Nobody strikes more at once: the hands are probably written wrongly.
DOUBTFUL_STRETCH_SEMITONES = 16
DOUBTFUL_STRETCH_SURE = 0.4
# Notes in a run.
SCALE_RUN_NOTES = 6
FIVE_FINGER_RUN_NOTES = 5
CHROMATIC_RUN_NOTES = 5
ARPEGGIO_NOTES = 4
# Notes that both hands must run together.
TOGETHER_NOTES = 6
# Events in a row.
DOUBLE_NOTES_IN_ROW = 3
FAST_IN_ROW = 4
REPEATED_IN_ROW = 3
WALTZ_BARS = 2
# Seconds. Slower strikes on one key need nothing new; a quarter at 60 takes a second.
REPEATED_MOST_S = 0.26
FAST_OCTAVE_MOST_S = 0.25
# Onsets in a second, held over so many onsets: less is a single quick turn and no speed.
SPEED_ONSETS_PER_S = 6.0
SPEED_ONSETS = 6
# Quarters of silence after which a hand has time to move.
TIME_TO_MOVE_BEATS = 2
# A surmise, where the score names no tempo.
WITHOUT_TEMPO_SURE = 0.5
BLACK_CLASSES = frozenset({1, 3, 6, 8, 10})
# Letters between the notes of a triad in each of its shapes, from below.
ROOT_SHAPE = (2, 2)
HANDS = ("right", "left")
HAND_WORDS = {"right": "right hand", "left": "left hand"}


@dataclass(frozen=True, slots=True)
class Run:
    """Single notes of one hand that go on in one direction.

    Attributes
    ----------
    events : tuple of Event
        At least two.
    is_rising : bool
        The direction.
    """

    events: tuple[Event, ...]
    is_rising: bool

    @property
    def bars(self) -> set[int]:
        """Bars that it passes through."""
        return {event.bar for event in self.events}

    @property
    def span_semitones(self) -> int:
        """From its first to its last note."""
        return abs(self.events[-1].top.pitch_midi - self.events[0].top.pitch_midi)

    @property
    def span_places(self) -> int:
        """From its first to its last note, in letters."""
        return abs(self.events[-1].top.place - self.events[0].top.place)


class Collector:
    """Bars and hands by detector, while the events are walked."""

    def __init__(self) -> None:
        self.bars: dict[str, set[int]] = {}
        self.hands: dict[str, set[str]] = {}
        self.words: dict[str, str] = {}
        self.sure: dict[str, float] = {}
        self.fastest_per_s = 0.0

    def add(self, key: str, bars: set[int] | frozenset[int], *, hand: str = "") -> None:
        """Note that a detector found something."""
        if bars:
            self.bars.setdefault(key, set()).update(bars)
            if hand:
                self.hands.setdefault(key, set()).add(hand)

    def finds(self) -> Iterator[Find]:
        """Yield what was found, with the hands as detail where nothing better was said."""
        for key, bars in self.bars.items():
            hands = self.hands.get(key, set())
            named = "both hands" if len(hands) == len(HANDS) else "".join(HAND_WORDS[hand] for hand in hands)
            words = self.words.get(key, "")
            detail = ", ".join(part for part in (named, words) if part)
            yield Find(key, frozenset(bars), detail, self.sure.get(key))


def keyboard_finds(found: Digest) -> Iterator[Find]:
    """Yield what each hand has to do on the keyboard.

    Parameters
    ----------
    found : Digest
        The score.

    Yields
    ------
    Find
        One for each detector that found something.

    Examples
    --------
    >>> from curriculum.score.demands.digest import digest
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> finds = keyboard_finds(digest(make_pattern(Pattern(kind="scale"))))
    >>> sorted(find.key for find in finds)
    ['position_shift', 'scale_run']
    """
    collected = Collector()
    runs = {hand: (_runs(found, hand, kind="step"), _runs(found, hand, kind="skip")) for hand in HANDS}
    for hand in HANDS:
        steps, skips = runs[hand]
        _places(found, hand, collected)
        _black_keys(found, hand, collected)
        _scale_runs(hand, steps, collected)
        _chromatic_runs(found, hand, collected)
        _arpeggios(hand, skips, collected)
        _chords(found, hand, collected)
        _repeats(found, hand, collected)
        _speed(found, hand, collected)
        _leaps(found, hand, collected)
    _broken(found, skips={hand: runs[hand][1] for hand in HANDS}, collected=collected)
    _basses(found, collected)
    _together(runs, collected)
    yield from collected.finds()


def _places(found: Digest, hand: str, collected: Collector) -> None:
    """Follow the hand with a window of five letters; where the window breaks, it has to move or open."""
    low = high = None
    shifts: set[int] = set()
    wide: set[int] = set()
    last: Event | None = None
    for event in found.hands[hand]:
        bottom, top = event.low.place, event.top.place
        if PLACE_SPAN < top - bottom <= OCTAVE_PLACES:
            wide.add(event.bar)
        if low is None or high is None:
            low, high = bottom, top
        elif max(high, top) - min(low, bottom) > PLACE_SPAN:
            if last is not None and not (last.low.place == bottom and last.top.place == top):
                shifts.add(event.bar)
            low, high = bottom, top
        else:
            low, high = min(low, bottom), max(high, top)
        if last is not None and not found.is_rest_between(last, event):
            distance = max(top - last.low.place, last.top.place - bottom)
            is_new = (last.low.place, last.top.place) != (bottom, top)
            if is_new and PLACE_SPAN < distance <= OCTAVE_PLACES and last.is_single and event.is_single:
                wide.add(event.bar)
        last = event
    collected.add("position_shift", shifts, hand=hand)
    collected.add("beyond_five_fingers", wide, hand=hand)


def _black_keys(found: Digest, hand: str, collected: Collector) -> None:
    bars = {
        event.bar
        for event in found.hands[hand]
        if any(note.pitch_midi % OCTAVE_SEMITONES in BLACK_CLASSES for note in event.notes)
    }
    collected.add("black_keys_in_position", bars, hand=hand)


def _runs(found: Digest, hand: str, *, kind: str) -> list[Run]:
    """Return stretches of single notes that move in one direction by steps, or by skips, without a rest."""
    runs: list[Run] = []
    members: list[Event] = []
    direction = 0

    def close() -> None:
        if len(members) > 1:
            runs.append(Run(tuple(members), direction > 0))

    for event in found.hands[hand]:
        move = event.top.place - members[-1].top.place if members else 0
        fits = abs(move) == 1 if kind == "step" else 2 <= abs(move) <= OCTAVE_PLACES - 1
        joined = bool(members) and event.is_single and not found.is_rest_between(members[-1], event)
        if joined and fits and (direction == 0 or (move > 0) == (direction > 0)):
            members.append(event)
            direction = 1 if move > 0 else -1
            continue
        close()
        # The last note of a run may begin the next one, where a line turns.
        if joined and fits:
            members, direction = [members[-1], event], (1 if move > 0 else -1)
        else:
            members, direction = ([event] if event.is_single else []), 0
    close()
    return runs


def _gaps(events: Sequence[Event]) -> set[int]:
    return {second.at - first.at for first, second in pairwise(events)}


def _is_chromatic(run: Run) -> bool:
    """Whether every step is a semitone: then it is no scale of a key, however it is spelled."""
    events = run.events
    return all(abs(second.top.pitch_midi - first.top.pitch_midi) == 1 for first, second in pairwise(events))


def _scale_runs(hand: str, steps: list[Run], collected: Collector) -> None:
    for run in steps:
        count = len(run.events)
        if count >= SCALE_RUN_NOTES and not _is_chromatic(run):
            collected.add("scale_run", run.bars, hand=hand)
        elif count == FIVE_FINGER_RUN_NOTES and len(_gaps(run.events)) == 1:
            collected.add("five_finger_run", run.bars, hand=hand)


def _chromatic_runs(found: Digest, hand: str, collected: Collector) -> None:
    members: list[Event] = []
    direction = 0
    for event in [*found.hands[hand], None]:
        move = event.top.pitch_midi - members[-1].top.pitch_midi if members and event is not None else 0
        if (
            event is not None
            and members
            and event.is_single
            and abs(move) == 1
            and direction in (0, move)
            and not found.is_rest_between(members[-1], event)
        ):
            members.append(event)
            direction = move
            continue
        if len(members) >= CHROMATIC_RUN_NOTES:
            collected.add("chromatic_run", {member.bar for member in members}, hand=hand)
        if event is not None and members and event.is_single and abs(move) == 1:
            members, direction = [members[-1], event], move
        else:
            members, direction = ([event] if event is not None and event.is_single else []), 0


def _arpeggios(hand: str, skips: list[Run], collected: Collector) -> None:
    for run in skips:
        if _is_arpeggio(run):
            collected.add("arpeggio", run.bars, hand=hand)


def _is_arpeggio(run: Run) -> bool:
    return len(run.events) >= ARPEGGIO_NOTES and run.span_semitones >= OCTAVE_SEMITONES


def _is_alberti(found: Digest, four: Sequence[Event]) -> bool:
    """Low, high, middle, high again, evenly, within an octave, from a beat or half of one."""
    if not all(event.is_single for event in four) or len(_gaps(four)) != 1:
        return False
    low, high, middle, again = (event.top.pitch_midi for event in four)
    if not (low < middle < high == again and high - low <= OCTAVE_SEMITONES):
        return False
    half_beat = max(1, found.ticks // 2)
    return (four[0].offset + found.shift_of(four[0].bar)) % half_beat == 0


def _is_triad(places: Sequence[int]) -> bool:
    """Whether three letters can be stacked in thirds, in whatever order."""
    letters = {place % OCTAVE_PLACES for place in places}
    return any(letters == {root, (root + 2) % OCTAVE_PLACES, (root + 4) % OCTAVE_PLACES} for root in letters)


def _broken(found: Digest, *, skips: dict[str, list[Run]], collected: Collector) -> None:
    """Three notes of a chord one after another in one direction, evenly, that are no arpeggio and no rocking bass."""
    rocking = _rocking_places(found)
    for hand, runs in skips.items():
        for run in runs:
            if _is_arpeggio(run) or len(run.events) < len(ROOT_SHAPE) + 1:
                continue
            if hand == "left" and any(event.at in rocking for event in run.events):
                continue
            if len(_gaps(run.events)) == 1 and _is_triad([event.top.place for event in run.events]):
                collected.add("broken_chord", run.bars, hand=hand)


def _rocking_places(found: Digest) -> dict[int, int]:
    """Return where the left hand rocks: moment and bar of each note of it."""
    places: dict[int, int] = {}
    events = found.hands["left"]
    for index in range(len(events) - 3):
        four = events[index : index + 4]
        if _is_alberti(found, four):
            places.update((event.at, event.bar) for event in four)
    return places


def _basses(found: Digest, collected: Collector) -> None:
    collected.add("alberti", set(_rocking_places(found).values()), hand="left")
    waltz: set[int] = set()
    events = found.hands["left"]
    for first, second in pairwise(events):
        reach = second.top.pitch_midi - first.top.pitch_midi
        is_low_then_chord = first.is_single and not second.is_single and reach > OCTAVE_SEMITONES
        if is_low_then_chord and first.bar == second.bar:
            waltz.add(first.bar)
    if len(waltz) >= WALTZ_BARS:
        collected.add("waltz_bass", waltz, hand="left")


def _chords(found: Digest, hand: str, collected: Collector) -> None:
    doubles: list[Event] = []
    octaves: list[Event] = []
    widest = 0
    for event in [*found.hands[hand], None]:
        if event is not None and not event.is_single:
            widest = max(widest, _one_chord(event, hand, collected))
        if event is not None and _is_double(event):
            doubles.append(event)
        else:
            _close_doubles(found, doubles, hand, collected)
            doubles = []
        if event is not None and _has_octave(event):
            octaves.append(event)
        else:
            collected.add("octave_plus_fast", _fast_bars(found, octaves), hand=hand)
            octaves = []
    if widest > DOUBTFUL_STRETCH_SEMITONES:
        collected.sure["stretch_over_octave"] = DOUBTFUL_STRETCH_SURE
        collected.words["stretch_over_octave"] = f"up to {widest} semitones, so the hands may be written wrongly"


def _one_chord(event: Event, hand: str, collected: Collector) -> int:
    """Note what a chord asks, and return its width in semitones."""
    bar = {event.bar}
    width = event.top.pitch_midi - event.low.pitch_midi
    places = [note.place for note in event.notes]
    if width > OCTAVE_SEMITONES:
        collected.add("stretch_over_octave", bar, hand=hand)
    if _has_octave(event):
        collected.add("octave", bar, hand=hand)
    if len(places) > len(ROOT_SHAPE) + 1:
        collected.add("chord_four", bar, hand=hand)
    elif len(places) == len(ROOT_SHAPE) + 1:
        shape = (places[1] - places[0], places[2] - places[1])
        collected.add("triad" if shape == ROOT_SHAPE else "chord_inversion", bar, hand=hand)
    return width


def _has_octave(event: Event) -> bool:
    pitches = {note.pitch_midi for note in event.notes}
    return any(pitch + OCTAVE_SEMITONES in pitches for pitch in pitches)


def _is_double(event: Event) -> bool:
    """Whether it is a third or a sixth, and nothing more."""
    return len(event.notes) == 2 and event.top.place - event.low.place in (2, 5)


def _close_doubles(found: Digest, doubles: list[Event], hand: str, collected: Collector) -> None:
    if len(doubles) < DOUBLE_NOTES_IN_ROW or len({event.low.pitch_midi for event in doubles}) == 1:
        return
    collected.add("double_third_sixth", {event.bar for event in doubles}, hand=hand)
    collected.add("double_thirds_fast", _fast_bars(found, doubles), hand=hand)


def _fast_bars(found: Digest, events: Sequence[Event]) -> set[int]:
    """Return bars in which so many of these events in a row come fast."""
    bars: set[int] = set()
    if not found.has_tempo:
        return bars
    fast: list[Event] = []
    for event in events:
        if fast and (event.at - fast[-1].at) * found.tick_s(event.at) > FAST_OCTAVE_MOST_S:
            fast = []
        fast.append(event)
        if len(fast) >= FAST_IN_ROW:
            bars.update(member.bar for member in fast)
    return bars


def _repeats(found: Digest, hand: str, collected: Collector) -> None:
    row: list[Event] = []
    for event in found.hands[hand]:
        is_same = bool(row) and event.top.pitch_midi == row[-1].top.pitch_midi and event.is_single and row[-1].is_single
        if is_same and (event.at - row[-1].at) * found.tick_s(event.at) <= REPEATED_MOST_S:
            row.append(event)
        else:
            row = [event]
        if len(row) >= REPEATED_IN_ROW:
            collected.add("repeated_note", {member.bar for member in row}, hand=hand)
            if not found.has_tempo:
                collected.sure["repeated_note"] = WITHOUT_TEMPO_SURE
                collected.words["repeated_note"] = "if the tempo is about 100"


def _speed(found: Digest, hand: str, collected: Collector) -> None:
    events = found.hands[hand]
    fastest = 0.0
    for first, last in zip(events, events[SPEED_ONSETS - 1 :], strict=False):
        spent_s = (last.at - first.at) * found.tick_s(first.at)
        rate = (SPEED_ONSETS - 1) / spent_s if spent_s else 0.0
        if rate >= SPEED_ONSETS_PER_S - 1e-9:
            fastest = max(fastest, rate)
            collected.add("speed", set(range(first.bar, last.bar + 1)), hand=hand)
    if fastest > collected.fastest_per_s:
        collected.fastest_per_s = fastest
        collected.words["speed"] = f"up to {fastest:.0f} notes a second"
        if not found.has_tempo:
            collected.sure["speed"] = WITHOUT_TEMPO_SURE
            collected.words["speed"] = "if the tempo is about 100"


def _leaps(found: Digest, hand: str, collected: Collector) -> None:
    events = found.hands[hand]
    time_to_move = TIME_TO_MOVE_BEATS * found.ticks
    bars = set()
    for first, second in pairwise(events):
        if second.at - first.end >= time_to_move:
            continue
        distance = max(second.low.pitch_midi - first.top.pitch_midi, first.low.pitch_midi - second.top.pitch_midi)
        if distance > OCTAVE_SEMITONES:
            bars.add(second.bar)
    collected.add(f"leap_{hand}", bars)


def _together(runs: dict[str, tuple[list[Run], list[Run]]], collected: Collector) -> None:
    """Runs of both hands that strike together for long enough."""
    for index, (kind, same, opposite) in enumerate(
        (("scale", "scale_both_hands", "scale_contrary"), ("arpeggio", "arpeggio_both_hands", ""))
    ):
        wanted = {hand: [run for run in runs[hand][index] if _is_long(run, kind=kind)] for hand in HANDS}
        others = iter(wanted["left"])
        left = next(others, None)
        for right in wanted["right"]:
            while left is not None and left.events[-1].at < right.events[0].at:
                left = next(others, None)
            if left is None:
                break
            shared = {event.at: event.bar for event in right.events}.items() & {
                event.at: event.bar for event in left.events
            }.items()
            least = TOGETHER_NOTES if kind == "scale" else ARPEGGIO_NOTES
            key = same if right.is_rising == left.is_rising else opposite
            if len(shared) >= least and key:
                collected.add(key, {bar for _, bar in shared})


def _is_long(run: Run, *, kind: str) -> bool:
    if kind == "arpeggio":
        return _is_arpeggio(run)
    return len(run.events) >= SCALE_RUN_NOTES and not _is_chromatic(run)
