"""Detectors for note lengths and where they stand in the bar."""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import zip_longest

from curriculum.score.demands.digest import Digest
from curriculum.score.demands.vocabulary import Find
from curriculum.score.notes import VALUE_BEATS, Metre

# Quarters. Shorter heads are sixteenths or less.
SIXTEENTH_BEAT = Fraction(1, 4)
TRIPLET_COUNTS = (3, 6)
UNEVEN_BEATS = (5, 7, 10, 11, 13)
# Stretches of a bar, in beats, that two hands may divide differently: one, two, and three where they are the whole bar.
SHARED_BEATS = (1, 2, 3)
# A rest no longer than this, in quarters, goes before an off-beat entry.
LONGEST_SHORT_REST_BEAT = Fraction(1, 2)
# Surer where the four is even than where it is a dotted note and a short one.
DOTTED_AGAINST_THREE_SURE = 0.6


def rhythm_finds(found: Digest) -> Iterator[Find]:
    """Yield what the lengths of notes ask.

    Parameters
    ----------
    found : Digest
        The score.

    Yields
    ------
    Find
        One for each detector of this module.

    Examples
    --------
    >>> from curriculum.score.demands.digest import digest
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> finds = rhythm_finds(digest(make_pattern(Pattern(kind="scale", value="1/3"))))
    >>> [find.key for find in finds if find.bars]
    ['triplet', 'rest']
    """
    yield from _values(found)
    yield from _metres(found)
    yield from _rests(found)
    yield _syncopation(found)
    yield from _polyrhythm(found)


def is_compound(metre: Metre | None) -> bool:
    """Return whether beats have three parts.

    Parameters
    ----------
    metre : Metre or None
        None has no beats.

    Returns
    -------
    bool
        True for six, nine and twelve eighths, and the like.

    Examples
    --------
    >>> is_compound(Metre(6, 8)), is_compound(Metre(3, 4))
    (True, False)
    """
    return metre is not None and metre.beats > 3 and metre.beats % 3 == 0


def _values(found: Digest) -> Iterator[Find]:
    bars: dict[str, set[int]] = {
        name: set() for name in ("eighths", "sixteenths", "dotted_quarter", "dotted_eighth", "triplet", "tuplet_other")
    }
    compound = [is_compound(bar.metre) for bar in found.bars]
    shortest = ""
    for note in found.score.notes:
        if note.grace:
            continue
        length = VALUE_BEATS.get(note.value)
        if note.tuplet is not None:
            is_triplet = note.tuplet.actual in TRIPLET_COUNTS and not compound[note.bar]
            bars["triplet" if is_triplet else "tuplet_other"].add(note.bar)
            continue
        if length is None:
            continue
        if note.value == "eighth" and note.dots == 0 and not compound[note.bar]:
            bars["eighths"].add(note.bar)
        if length <= SIXTEENTH_BEAT:
            bars["sixteenths"].add(note.bar)
            if not shortest or length < VALUE_BEATS[shortest]:
                shortest = note.value
        if note.value == "quarter" and note.dots and not compound[note.bar]:
            bars["dotted_quarter"].add(note.bar)
        if note.value == "eighth" and note.dots:
            bars["dotted_eighth"].add(note.bar)
    for name, these in bars.items():
        detail = f"down to {shortest} notes" if name == "sixteenths" and shortest != "16th" else ""
        yield Find(name, frozenset(these), detail)


def _metres(found: Digest) -> Iterator[Find]:
    compound = {bar.index: bar.metre for bar in found.bars if bar.metre is not None and is_compound(bar.metre)}
    uneven = {bar.index: bar.metre for bar in found.bars if bar.metre is not None and bar.metre.beats in UNEVEN_BEATS}
    yield Find("compound_metre", frozenset(compound), _metre_names(compound.values()))
    yield Find("uneven_metre", frozenset(uneven), _metre_names(uneven.values()))


def _metre_names(metres: Iterable[Metre]) -> str:
    names = [f"{metre.beats}/{metre.beat_type}" for metre in metres]
    return ", ".join(dict.fromkeys(names))


def _rests(found: Digest) -> Iterator[Find]:
    shown = [rest for rest in found.score.rests if not rest.hidden and not rest.whole_bar]
    yield Find("rest", frozenset(rest.bar for rest in shown))
    onsets = {(note.bar, note.offset_beat, note.voice) for note in found.score.notes if not note.grace}
    entries = set()
    for rest in shown:
        if is_compound(found.metre_of(rest.bar)) or rest.duration_beat > LONGEST_SHORT_REST_BEAT:
            continue
        beat = _beat_of(found, rest.bar)
        shift = Fraction(found.shift_of(rest.bar), found.ticks)
        end = rest.offset_beat + rest.duration_beat
        if (rest.offset_beat + shift) % beat == 0 and (end + shift) % beat and (rest.bar, end, rest.voice) in onsets:
            entries.add(rest.bar)
    yield Find("offbeat_entry", frozenset(entries))


def _beat_of(found: Digest, bar: int) -> Fraction:
    """Return the length of a beat, in quarters."""
    metre = found.metre_of(bar)
    if metre is None:
        return Fraction(1)
    return Fraction(12, metre.beat_type) if is_compound(metre) else Fraction(4, metre.beat_type)


def _syncopation(found: Digest) -> Find:
    """Find notes that begin between beats and sound across a beat on which their hand begins nothing."""
    bars = set()
    for events in found.hands.values():
        for event, coming in zip_longest(events, events[1:]):
            beat = int(_beat_of(found, event.bar) * found.ticks)
            place = event.offset + found.shift_of(event.bar)
            if not beat or place % beat == 0:
                continue
            next_beat = event.at + beat - place % beat
            held_until = min(event.end, coming.at) if coming is not None else event.end
            if held_until > next_beat:
                bars.add(event.bar)
    return Find("syncopation", frozenset(bars))


def _polyrhythm(found: Digest) -> Iterator[Find]:
    two_three: set[int] = set()
    three_four: set[int] = set()
    is_even = False
    both = set(found.by_bar["right"]) & set(found.by_bar["left"])
    thirds_at = [bar for bar in both if _has_divided(found, bar)]
    for bar in thirds_at:
        length = found.starts[bar + 1] - found.starts[bar]
        onsets = {hand: {event.offset for event in found.by_bar[hand][bar]} for hand in ("right", "left")}
        beat = int(_beat_of(found, bar) * found.ticks)
        for beats in SHARED_BEATS:
            window = beats * beat
            if not window or window % 3 or length % window or (beats == 3 and length != window):
                continue
            for start in range(0, length - window + 1, window):
                inside = {
                    hand: {offset - start for offset in these if start <= offset < start + window}
                    for hand, these in onsets.items()
                }
                for two, three in (("right", "left"), ("left", "right")):
                    if not _divides(inside[three], window, 3):
                        continue
                    if _divides(inside[two], window, 2):
                        two_three.add(bar)
                    elif window % 4 == 0 and _divides(inside[two], window, 4):
                        three_four.add(bar)
                        is_even = is_even or window // 4 in inside[two]
    yield Find("polyrhythm_2_3", frozenset(two_three))
    yield Find("polyrhythm_3_4", frozenset(three_four), sure_frac=None if is_even else DOTTED_AGAINST_THREE_SURE)


def _has_divided(found: Digest, bar: int) -> bool:
    """Whether the hands begin notes at different places, both inside the bar."""
    right, left = ({event.offset for event in found.by_bar[hand][bar]} for hand in ("right", "left"))
    return bool(right - left) and bool(left - right)


def _divides(onsets: set[int], window: int, parts: int) -> bool:
    """Whether onsets cut a stretch into so many parts: nothing elsewhere, and something on a part of their own."""
    if window % parts:
        return False
    part = window // parts
    if any(onset % part for onset in onsets):
        return False
    own = [onset for onset in onsets if onset and not (parts == 4 and onset == window // 2)]
    return bool(own)
