"""Scores out of planned notes: barlines, ties, note values, rests, accidentals and beams are worked out here.

Whoever knows *what* is to be played (a pattern, typed notes, a MIDI file) plans notes; :func:`make_score` writes them as a musician would:

* a note over a barline, or of a length that no single note has, becomes several heads with ties;
* gaps in the first voice of a hand become rests, and bars without notes a whole-bar rest;
* lengths with an odd denominator become tuplets (3 in the time of 2, 5 and 7 in the time of 4, ...), bracketed from one plain place to the next;
* an accidental is printed where a note departs from the signature or from what stood before it in the bar, on its own staff and octave;
* beams join what is shorter than a quarter within a beat.

Worked example: five notes up in four-four, the last one held.

>>> from fractions import Fraction
>>> planned = [PlannedNote(Fraction(i), Fraction(1), step, octave=4) for i, step in enumerate("CDEF")]
>>> score = make_score([*planned, PlannedNote(Fraction(4), Fraction(5), "G", octave=4)], bars=plain_bars(3))
>>> [(note.id, note.step, note.value, note.tie_starts) for note in score.notes if note.bar > 0]
[('b1n1', 'G', 'whole', True), ('b2n1', 'G', 'quarter', False)]
>>> [(rest.offset_beat, rest.value) for rest in score.rests if rest.staff == 1]
[(Fraction(1, 1), 'quarter'), (Fraction(2, 1), 'half')]
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import groupby, pairwise
from typing import TypeAlias

from curriculum.score.errors import ScoreMakingError
from curriculum.score.notes import (
    STEP_SEMITONES,
    VALUE_BEATS,
    ZERO,
    Bar,
    Clef,
    Hand,
    Key,
    Mark,
    MarkKind,
    Metre,
    ScoreWarning,
    Tempo,
    Tuplet,
    WrittenNote,
    WrittenRest,
    WrittenScore,
    pitch_of,
)

# Number of the first voice of each hand, as notation programs number them; the second voice of a hand is one more.
FIRST_VOICE: dict[Hand, int] = {"right": 1, "left": 5}

# Shortest head that is written, in quarters: a 256th. Shorter ones cannot be read or played.
SHORTEST_BEAT = VALUE_BEATS["256th"]

# Most notes in the time of fewer that are written as one group. Larger ones do not occur in music for learners.
LARGEST_TUPLET = 15

_BY_LENGTH: dict[Fraction, tuple[str, int]] = {
    length * dotted: (name, dots)
    for name, length in VALUE_BEATS.items()
    for dots, dotted in enumerate((Fraction(1), Fraction(3, 2), Fraction(7, 4)))
}
COMMON_TIME = Metre(4, 4)
NO_SIGNATURE = Key(0)

_BEAMS = {name: count for count, name in enumerate(("eighth", "16th", "32nd", "64th", "128th", "256th"), start=1)}
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_STEP_PLACE = {step: place for place, step in enumerate("CDEFGAB")}


@dataclass(frozen=True, slots=True)
class PlannedNote:
    """One key to be pressed once: when, how long, which, and by which hand.

    ``onset_beat`` 0 is the downbeat of the first full bar; a pickup is negative. ``voice`` is 1, or 2 for a second voice in the same hand.
    Notes of one voice with the same onset must have the same length; they become a chord. A grace note has ``grace`` 1, 2, ... and
    ``duration_beat`` 1/2 as its printed value.
    """

    onset_beat: Fraction
    duration_beat: Fraction
    step: str
    alter: int = 0
    octave: int = 4
    hand: Hand = "right"
    finger: int | None = None
    voice: int = 1
    grace: int = 0
    grace_slash: bool = False
    articulations: tuple[str, ...] = ()
    ornaments: tuple[str, ...] = ()
    arpeggio: bool = False
    slur_starts: bool = False
    slur_stops: bool = False
    tie_starts: bool = False  # to another planned note; ties within one planned note are made here
    tie_stops: bool = False


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of one voice within one bar that a single head or rest can stand for."""

    offset: Fraction
    length: Fraction
    value: str
    dots: int
    tuplet: Tuplet | None
    notes: tuple[PlannedNote, ...]  # empty: a rest
    first: bool  # the onset of its notes
    last: bool  # their end


# Offset, length, notes (none: a rest), whether they begin here, whether they end here.
_Span: TypeAlias = "tuple[Fraction, Fraction, tuple[PlannedNote, ...], bool, bool]"


def plain_bars(
    count: int, *, metre: Metre = COMMON_TIME, key: Key = NO_SIGNATURE, pickup_beat: Fraction = ZERO, final: bool = True
) -> tuple[Bar, ...]:
    """Return full bars of one metre and key, numbered from 1, with a pickup bar 0 in front where one is wanted.

    Parameters
    ----------
    count : int
        Number of full bars, at least 1.
    metre, key
        In force throughout.
    pickup_beat : Fraction
        Length of the pickup in quarters; 0 for none. Less than a full bar.
    final : bool
        Whether the last bar ends with the thin and thick line.

    Returns
    -------
    tuple of Bar
        In printed order.

    Raises
    ------
    ScoreMakingError
        If there would be no full bar, or the pickup is as long as a full bar.

    Examples
    --------
    >>> [(bar.number, bar.length_beat) for bar in plain_bars(1, metre=Metre(3, 4), pickup_beat=Fraction(1))]
    [('0', Fraction(1, 1)), ('1', Fraction(3, 1))]
    """
    if count < 1:
        raise ScoreMakingError(f"{count} bars were asked for; there must be at least one.")
    if not ZERO <= pickup_beat < metre.length_beat:
        raise ScoreMakingError(f"A pickup of {pickup_beat} quarters does not fit a bar of {metre.length_beat}.")
    bars = [Bar(0, "0", pickup_beat, metre, key, pickup=True)] if pickup_beat else []
    first = len(bars)
    bars.extend(Bar(first + i, str(i + 1), metre.length_beat, metre, key) for i in range(count))
    if final:
        bars[-1] = replace(bars[-1], barline="light-heavy")
    return tuple(bars)


def make_score(
    planned: Iterable[PlannedNote],
    *,
    bars: Sequence[Bar],
    hands: Sequence[Hand] = ("right", "left"),
    tempi: Sequence[Tempo] = (),
    clefs: Sequence[Clef] = (),
    marks: Sequence[Mark] = (),
    slurs: Sequence[tuple[int, int]] = (),
    title: str = "",
    composer: str = "",
    source: str = "pattern",
    warnings: Sequence[ScoreWarning] = (),
) -> WrittenScore:
    """Return planned notes as a written score.

    Parameters
    ----------
    planned : iterable of PlannedNote
        In any order. Within one voice of one hand notes may not overlap, other than as chords.
    bars : sequence of Bar
        In printed order, such as :func:`plain_bars` gives. They are taken as they are.
    hands : sequence of str
        ``("right", "left")`` for two staves, or one hand alone for one.
    slurs : sequence of (int, int)
        Further slurs: places in ``planned`` of the first and the last note. These may overlap or hold each other.
    tempi, clefs, marks
        Placed by bar index and offset. Without clefs the right hand reads treble and the left bass.
    title, composer, source, warnings
        Passed on.

    Returns
    -------
    WrittenScore
        Without notes, the bars hold rests.

    Raises
    ------
    ScoreMakingError
        If a note lies outside the bars, overlaps another of its voice, cannot be spelt or is shorter than can be written, or belongs to a
        hand that is not there.

    Examples
    --------
    >>> third = [PlannedNote(Fraction(0), Fraction(4), step, octave=4) for step in ("E", "C")]
    >>> [(note.step, note.chord) for note in make_score(third, bars=plain_bars(1)).notes]
    [('C', False), ('E', True)]
    """
    if not bars:
        raise ScoreMakingError("A score needs at least one bar.")
    starts = _starts(bars)
    notes: list[WrittenNote] = []
    rests: list[WrittenRest] = []
    open_slurs: list[tuple[str, bool, str]] = []
    first_heads: dict[int, str] = {}  # a planned note (by identity) -> its first head
    planned = list(planned)
    voices: dict[tuple[Hand, int], list[PlannedNote]] = {(hand, 1): [] for hand in hands}
    for note in planned:
        _check(note, hands=hands)
        voices.setdefault((note.hand, note.voice), []).append(note)
    for (hand, voice), members in sorted(voices.items(), key=lambda item: (item[0][0] == "left", item[0][1])):
        staff = list(hands).index(hand) + 1
        number = FIRST_VOICE[hand] + voice - 1 if len(hands) > 1 else voice
        graces = [note for note in members if note.grace]
        pieces = _pieces([note for note in members if not note.grace], bars=bars, starts=starts, rests=voice == 1)
        for bar, found in zip(bars, pieces, strict=True):
            in_bar = [note for note in graces if _bar_of(note.onset_beat, starts) == bar.index]
            _write_bar(
                found,
                bar=bar,
                start=starts[bar.index],
                graces=in_bar,
                hand=hand,
                staff=staff,
                voice=number,
                notes=notes,
                rests=rests,
                slurs=open_slurs,
                first_heads=first_heads,
            )
    ordered, renamed = number_notes(notes)
    by_id = {note.id: note for note in ordered}
    found_slurs = _slur_marks(open_slurs, renamed, by_id)
    for first, last in slurs:
        start, stop = (by_id[renamed[first_heads[id(planned[place])]]] for place in (first, last))
        found_slurs.append(_slur(start, stop))
    return WrittenScore(
        bars=tuple(bars),
        notes=_with_accidentals(ordered, bars=bars),
        rests=tuple(sorted(rests, key=lambda rest: (rest.bar, rest.voice, rest.offset_beat))),
        clefs=tuple(clefs) or tuple(_usual_clef(hand, staff) for staff, hand in enumerate(hands, start=1)),
        marks=sort_marks([*marks, *found_slurs]),
        tempi=tuple(sorted(tempi, key=lambda tempo: (tempo.bar, tempo.offset_beat))),
        staves=len(hands),
        title=title,
        composer=composer,
        source=source,
        warnings=tuple(warnings),
    )


def number_notes(notes: Iterable[WrittenNote]) -> tuple[tuple[WrittenNote, ...], dict[str, str]]:
    """Return notes in the order of a score with ids of our own, and which id each had before.

    Parameters
    ----------
    notes : iterable of WrittenNote
        In any order, with ids that differ.

    Returns
    -------
    tuple of WrittenNote
        Sorted by bar, voice, offset, grace notes first, then pitch; ``chord`` set for all but the lowest note of a chord.
    dict of str to str
        Old id to new id.

    Examples
    --------
    >>> note = WrittenNote("x", 2, ZERO, Fraction(1), 60, "C", 0, 4, "right")
    >>> number_notes([note])[1]
    {'x': 'b2n1'}
    """
    found: list[WrittenNote] = []
    renamed: dict[str, str] = {}
    place, bar = 0, -1
    before: tuple[int, int, Fraction, int] | None = None
    for note in sorted(notes, key=order_of):
        place = place + 1 if note.bar == bar else 1
        bar = note.bar
        here = (note.bar, note.voice, note.offset_beat, note.grace)
        renamed[note.id] = f"b{bar}n{place}"
        found.append(replace(note, id=renamed[note.id], chord=here == before))
        before = here
    return tuple(found), renamed


def order_of(note: WrittenNote) -> tuple[int, int, Fraction, bool, int, int, int, int]:
    """Return what notes of a score are sorted by.

    Parameters
    ----------
    note : WrittenNote
        Any note.

    Returns
    -------
    tuple
        Bar, voice, offset, grace notes first and in their order, then letter and octave, then alteration.

    Examples
    --------
    >>> order_of(WrittenNote("x", 2, ZERO, Fraction(1), 60, "C", 0, 4, "right"))
    (2, 1, Fraction(0, 1), True, 0, 28, 0, 1)
    """
    return (
        note.bar,
        note.voice,
        note.offset_beat,
        note.grace == 0,
        note.grace,
        7 * note.octave + _STEP_PLACE[note.step],
        note.alter,
        note.staff,
    )


def sort_marks(marks: Iterable[Mark]) -> tuple[Mark, ...]:
    """Return marks by place, kind and text, which is their order in every score.

    Parameters
    ----------
    marks : iterable of Mark
        In any order.

    Returns
    -------
    tuple of Mark
        Empty for none.

    Examples
    --------
    >>> loud, soft = (Mark(MarkKind.DYNAMIC, bar, ZERO, text=text) for bar, text in ((2, "f"), (0, "p")))
    >>> [mark.text for mark in sort_marks([loud, soft])]
    ['p', 'f']
    """
    return tuple(
        sorted(
            marks,
            key=lambda mark: (
                mark.bar,
                mark.offset_beat,
                mark.kind.value,
                mark.staff or 0,
                mark.text,
                mark.note,
                mark.to_bar or 0,
                mark.to_offset_beat or ZERO,
                mark.to_note,
            ),
        )
    )


def _check(note: PlannedNote, *, hands: Sequence[Hand]) -> None:
    if note.hand not in hands:
        raise ScoreMakingError(f"A note for the {note.hand} hand was planned, but the score is for {', '.join(hands)}.")
    if note.step not in STEP_SEMITONES or abs(note.alter) > 2 or not 0 <= note.octave <= 9:
        raise ScoreMakingError(f"There is no note {note.step!r} with alteration {note.alter} in octave {note.octave}.")
    if note.voice not in (1, 2):
        raise ScoreMakingError(f"Voice {note.voice} of a hand was asked for; it has 1 and 2.")
    if note.duration_beat <= 0:
        raise ScoreMakingError(f"A note of length {note.duration_beat} was planned; it must be longer than 0.")
    if note.finger is not None and not 1 <= note.finger <= 5:
        raise ScoreMakingError(f"Finger {note.finger} was asked for; a hand has 1 to 5.")


def _starts(bars: Sequence[Bar]) -> list[Fraction]:
    """Return where each bar starts, and where the last one ends; 0 is the downbeat of the first full bar."""
    at = -bars[0].length_beat if bars[0].pickup else ZERO
    starts = []
    for bar in bars:
        starts.append(at)
        at += bar.length_beat
    return [*starts, at]


def _bar_of(onset: Fraction, starts: Sequence[Fraction]) -> int:
    return max(bisect_right(starts, onset, hi=len(starts) - 1) - 1, 0)


def _pieces(
    notes: list[PlannedNote], *, bars: Sequence[Bar], starts: Sequence[Fraction], rests: bool
) -> list[list[_Piece]]:
    """Return, for each bar, the heads and rests of one voice."""
    spans: list[list[_Span]] = [[] for _ in bars]
    free_from = starts[0]
    for onset, chord in groupby(sorted(notes, key=lambda note: note.onset_beat), key=lambda note: note.onset_beat):
        members = tuple(chord)
        length = members[0].duration_beat
        if any(note.duration_beat != length for note in members):
            raise ScoreMakingError(f"Notes that begin together at beat {onset} in one voice have different lengths.")
        if onset < free_from:
            raise ScoreMakingError(
                f"A note at beat {onset} begins before the one in front of it ends, or before bar 1."
            )
        if onset + length > starts[-1]:
            raise ScoreMakingError(f"A note at beat {onset} is longer than the bars that are there.")
        free_from = onset + length
        index = _bar_of(onset, starts)
        at = onset
        while at < free_from:
            until = min(free_from, starts[index + 1])
            spans[index].append((at - starts[index], until - at, members, at == onset, until == free_from))
            at = until
            index += 1
    return [_fill(found, bar=bar, rests=rests) for bar, found in zip(bars, spans, strict=True)]


def _fill(spans: list[_Span], *, bar: Bar, rests: bool) -> list[_Piece]:
    """Return the pieces of one voice in one bar, with rests between them if wanted."""
    if not spans:
        return [_Piece(ZERO, bar.length_beat, "whole", 0, None, (), True, True)] if rests else []
    filled: list[_Span] = []
    at = ZERO
    for span in spans:
        if span[0] > at:
            filled.append((at, span[0] - at, (), True, True))
        filled.append(span)
        at = span[0] + span[1]
    if at < bar.length_beat:
        filled.append((at, bar.length_beat - at, (), True, True))
    pieces: list[_Piece] = []
    group: list[_Span] = []
    # A tuplet goes from a plain place (a power of two in the denominator) to the next plain place.
    for span in _rests_cut(filled):
        if not group and _is_plain(span[1]):
            pieces.extend(_split(span, bar=bar))
            continue
        group.append(span)
        if _is_plain(span[0] + span[1]):
            pieces.extend(_tuplet(group))
            group = []
    if group:
        raise ScoreMakingError(f"A tuplet in bar {bar.number} does not end with its bar.", bar=bar.number)
    return [piece for piece in pieces if rests or piece.notes]


def _rests_cut(
    spans: list[_Span],
) -> list[_Span]:
    """Cut rests at the first and last whole quarter inside them where an end of theirs is not plain."""
    found: list[_Span] = []
    for offset, length, notes, first, last in spans:
        if notes or (_is_plain(offset) and _is_plain(length)):
            found.append((offset, length, notes, first, last))
            continue
        end = offset + length
        cuts = [offset]
        if not _is_plain(offset) and (up := Fraction(-(-offset // 1))) < end:
            cuts.append(up)
        if not _is_plain(end) and (down := Fraction(end // 1)) > cuts[-1]:
            cuts.append(down)
        cuts.append(end)
        found.extend((a, b - a, notes, first, last) for a, b in pairwise(cuts))
    return found


def _is_plain(length: Fraction) -> bool:
    return length.denominator & (length.denominator - 1) == 0


def _split(span: _Span, *, bar: Bar) -> list[_Piece]:
    """Cut a plain stretch into values that can be written."""
    offset, length, notes, first, last = span
    if notes:
        cuts = _note_cuts(offset, length)
    else:
        shift = bar.metre.length_beat - bar.length_beat if bar.pickup and bar.metre is not None else ZERO
        cuts = _rest_cuts(offset, length, shift, bar.metre)
    end = len(cuts) - 1
    return [
        _Piece(at, step, value, dots, None, notes, first and place == 0, last and place == end)
        for place, (at, step, value, dots) in enumerate(cuts)
    ]


# The same places and lengths come again and again, and fractions are slow. A cut: offset, length, printed value, dots.
_Cut: TypeAlias = tuple[Fraction, Fraction, str, int]


@lru_cache(maxsize=4096)
def _note_cuts(offset: Fraction, length: Fraction) -> tuple[_Cut, ...]:
    found: list[_Cut] = []
    at, end = offset, offset + length
    while at < end:
        step = _note_length(at, end)
        found.append((at, step, *_BY_LENGTH[step]))
        at += step
    return tuple(found)


@lru_cache(maxsize=4096)
def _rest_cuts(offset: Fraction, length: Fraction, shift: Fraction, metre: Metre | None) -> tuple[_Cut, ...]:
    found: list[_Cut] = []
    at, end = offset, offset + length
    while at < end:
        step = _rest_length(at + shift, end + shift, metre=metre)
        found.append((at, step, *_BY_LENGTH[step]))
        at += step
    return tuple(found)


def _note_length(at: Fraction, end: Fraction) -> Fraction:
    """Return the longest value that can stand here: whole if it has at most one dot, else up to the next stronger place."""
    length = end - at
    known = _BY_LENGTH.get(length)
    if known is not None and known[1] < 2:
        return length
    fitting = [value for value, (_, dots) in _BY_LENGTH.items() if value < length and dots == 0]
    if not fitting:
        raise ScoreMakingError(f"A note of {length} quarters is shorter than can be written.")
    largest = max(fitting)
    # From a weak place go first to a strong one, so that the eye finds the beat.
    weak = [value for value in fitting if at % (2 * value) == value and at % 1 != 0]
    return max(weak) if weak and at % 1 != 0 else largest


def _rest_length(at: Fraction, end: Fraction, *, metre: Metre | None) -> Fraction:
    """Return the longest rest that starts at a multiple of itself and does not hide a beat."""
    if _is_compound(metre):
        beat = Fraction(12, metre.beat_type) if metre is not None else Fraction(3, 2)
        if at % beat == 0 and at + beat <= end:
            return beat
    most = Fraction(2) if metre is None or metre.length_beat % 2 == 0 else Fraction(1)
    for value in VALUE_BEATS.values():
        if value <= most and at % value == 0 and at + value <= end:
            return value
    raise ScoreMakingError(f"A rest of {end - at} quarters is shorter than can be written.")


def _tuplet(group: list[_Span]) -> list[_Piece]:
    """Return the pieces of one bracket."""
    odd = 1
    for offset, length, *_ in group:
        for number in (offset.denominator, length.denominator):
            while number % 2 == 0:
                number //= 2
            odd = odd * number // _common(odd, number)
    if odd > LARGEST_TUPLET:
        raise ScoreMakingError(f"A group of {odd} notes in the time of fewer cannot be written.")
    normal = 1 << (odd.bit_length() - 1)
    cut: list[tuple[Fraction, Fraction, tuple[PlannedNote, ...], bool, bool, Fraction]] = []
    for offset, length, notes, first, last in group:
        at, printed = offset, length * odd / normal
        until = printed
        while printed > 0:
            value = printed if printed in _BY_LENGTH else max((v for v in _BY_LENGTH if v < printed), default=ZERO)
            if not value:
                raise ScoreMakingError(f"A note of {length} quarters is shorter than can be written.")
            sounding = value * normal / odd
            cut.append((at, sounding, notes, first and printed == until, last and value == printed, value))
            at += sounding
            printed -= value
    return [
        _Piece(
            at,
            sounding,
            *_BY_LENGTH[value],
            Tuplet(odd, normal, starts=i == 0, stops=i == len(cut) - 1),
            notes,
            first,
            last,
        )
        for i, (at, sounding, notes, first, last, value) in enumerate(cut)
    ]


def _common(one: int, other: int) -> int:
    while other:
        one, other = other, one % other
    return one


def _write_bar(
    pieces: list[_Piece],
    *,
    bar: Bar,
    start: Fraction,
    graces: list[PlannedNote],
    hand: Hand,
    staff: int,
    voice: int,
    notes: list[WrittenNote],
    rests: list[WrittenRest],
    slurs: list[tuple[str, bool, str]],
    first_heads: dict[int, str],
) -> None:
    """Add the heads and rests of one voice in one bar."""
    beams = beam_groups([(piece.offset, piece.value if piece.notes else "") for piece in pieces], bar=bar)
    for piece, beam in zip(pieces, beams, strict=True):
        if not piece.notes:
            whole = len(pieces) == 1
            rests.append(
                WrittenRest(
                    bar.index, piece.offset, piece.length, staff, voice, piece.value, piece.dots, piece.tuplet, whole
                )
            )
            continue
        for place, note in enumerate(sorted(piece.notes, key=_height)):
            key = f"{len(notes)}"
            notes.append(
                _head(
                    note,
                    key=key,
                    bar=bar,
                    piece=piece,
                    hand=hand,
                    staff=staff,
                    voice=voice,
                    beams=() if place else beam,
                )
            )
            if piece.first:
                first_heads[id(note)] = key
            if note.slur_starts and piece.first:
                slurs.append((f"{hand}{note.voice}", True, key))
            if note.slur_stops and piece.first:
                slurs.append((f"{hand}{note.voice}", False, key))
    for note in graces:
        first_heads[id(note)] = f"{len(notes)}"
        value, dots = _BY_LENGTH.get(note.duration_beat, ("eighth", 0))
        notes.append(
            WrittenNote(
                f"{len(notes)}",
                bar.index,
                note.onset_beat - start,
                ZERO,
                pitch_of(note.step, alter=note.alter, octave=note.octave),
                note.step,
                note.alter,
                note.octave,
                hand,
                staff,
                voice,
                note.finger,
                value,
                dots,
                grace=note.grace,
                grace_slash=note.grace_slash,
                articulations=tuple(sorted(note.articulations)),
                ornaments=tuple(sorted(note.ornaments)),
                arpeggio=note.arpeggio,
            )
        )


def _height(note: PlannedNote) -> tuple[int, int]:
    return (7 * note.octave + _STEP_PLACE[note.step], note.alter)


def _head(
    note: PlannedNote,
    *,
    key: str,
    bar: Bar,
    piece: _Piece,
    hand: Hand,
    staff: int,
    voice: int,
    beams: tuple[str, ...],
) -> WrittenNote:
    return WrittenNote(
        key,
        bar.index,
        piece.offset,
        piece.length,
        pitch_of(note.step, alter=note.alter, octave=note.octave),
        note.step,
        note.alter,
        note.octave,
        hand,
        staff,
        voice,
        note.finger if piece.first else None,
        piece.value,
        piece.dots,
        piece.tuplet,
        tie_starts=not piece.last or note.tie_starts,
        tie_stops=not piece.first or note.tie_stops,
        beams=beams,
        articulations=tuple(sorted(note.articulations)) if piece.first else (),
        ornaments=tuple(sorted(note.ornaments)) if piece.first else (),
        arpeggio=note.arpeggio and piece.first,
    )


def beam_groups(heads: Sequence[tuple[Fraction, str]], *, bar: Bar) -> list[tuple[str, ...]]:
    """Return the beams of the heads of one voice in one bar: what is shorter than a quarter is joined within a beat.

    Parameters
    ----------
    heads : sequence of (Fraction, str)
        Offset from the start of the bar, sorted, and printed value; an empty value is a rest, which breaks a beam.
    bar : Bar
        Its metre says what a beat is: a quarter in simple metres, three eighths in compound ones.

    Returns
    -------
    list of tuple of str
        For each head ``begin``, ``continue``, ``end``, ``forward hook`` or ``backward hook`` for each of its beams; empty for heads
        without beams.

    Examples
    --------
    >>> [bar] = plain_bars(1)
    >>> beam_groups([(Fraction(0), "eighth"), (Fraction(1, 2), "16th"), (Fraction(3, 4), "16th"), (Fraction(1), "eighth")], bar=bar)
    [('begin',), ('continue', 'begin'), ('end', 'end'), ()]
    """
    beat = Fraction(1)
    shift = ZERO
    if bar.metre is not None:
        if _is_compound(bar.metre) or (bar.metre.beats, bar.metre.beat_type) == (3, 8):
            beat = Fraction(12, bar.metre.beat_type)
        shift = bar.metre.length_beat - bar.length_beat if bar.pickup else ZERO
    found: list[tuple[str, ...]] = [()] * len(heads)
    runs: list[list[int]] = []
    last_beat: Fraction | None = None
    for place, (offset, value) in enumerate(heads):
        if value not in _BEAMS:
            last_beat = None
            continue
        here = (offset + shift) // beat * beat
        if last_beat is not None and here == last_beat:
            runs[-1].append(place)
        else:
            runs.append([place])
        last_beat = here
    for run in runs:
        if len(run) > 1:
            counts = [_BEAMS[heads[place][1]] for place in run]
            for i, place in enumerate(run):
                found[place] = tuple(_beam(counts, i, level) for level in range(1, counts[i] + 1))
    return found


def _beam(counts: list[int], i: int, level: int) -> str:
    before = i > 0 and counts[i - 1] >= level
    after = i + 1 < len(counts) and counts[i + 1] >= level
    if before and after:
        return "continue"
    if before:
        return "end"
    if after:
        return "begin"
    return "forward hook" if i == 0 else "backward hook"


def _is_compound(metre: Metre | None) -> bool:
    return metre is not None and metre.beat_type >= 8 and metre.beats > 3 and metre.beats % 3 == 0


def _with_accidentals(notes: tuple[WrittenNote, ...], *, bars: Sequence[Bar]) -> tuple[WrittenNote, ...]:
    """Return the notes with those accidentals that have to be printed."""
    printed: dict[str, str] = {}
    in_time = sorted(notes, key=lambda note: (note.bar, note.staff, note.offset_beat, note.grace == 0, note.grace))
    stands: dict[tuple[str, int], int] = {}
    here: tuple[int, int] | None = None
    for note in in_time:
        if (note.bar, note.staff) != here:
            here = (note.bar, note.staff)
            stands = {}
        place = (note.step, note.octave)
        if note.tie_stops:
            continue  # The tie carries the accidental over the barline; the bar itself knows nothing of it.
        if stands.get(place, bars[note.bar].key.alter_of(note.step)) != note.alter:
            printed[note.id] = _ACCIDENTALS[note.alter]
            stands[place] = note.alter
    return tuple(replace(note, accidental=printed[note.id]) if note.id in printed else note for note in notes)


def _slur_marks(
    slurs: list[tuple[str, bool, str]], renamed: dict[str, str], notes: dict[str, WrittenNote]
) -> list[Mark]:
    """Join the starts and stops of each voice in the order in which they are played."""
    waiting: dict[str, WrittenNote] = {}
    found = []
    by_place = sorted(
        slurs, key=lambda slur: (notes[renamed[slur[2]]].bar, notes[renamed[slur[2]]].offset_beat, slur[1])
    )
    for voice, starts, key in by_place:
        note = notes[renamed[key]]
        if starts:
            waiting.setdefault(voice, note)
        elif (first := waiting.pop(voice, None)) is not None:
            found.append(_slur(first, note))
    return found


def _slur(first: WrittenNote, last: WrittenNote) -> Mark:
    return Mark(
        MarkKind.SLUR,
        first.bar,
        first.offset_beat,
        first.staff,
        to_bar=last.bar,
        to_offset_beat=last.offset_beat,
        note=first.id,
        to_note=last.id,
    )


def _usual_clef(hand: Hand, staff: int) -> Clef:
    return Clef(0, ZERO, staff, "G", 2) if hand == "right" else Clef(0, ZERO, staff, "F", 4)
