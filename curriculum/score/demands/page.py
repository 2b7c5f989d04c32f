"""Detectors for what stands on the page: signature, accidentals, clefs, ledger lines, marks and words."""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from fractions import Fraction

from curriculum.score.demands.digest import STEP_PLACE, Digest
from curriculum.score.demands.vocabulary import Find, Instrument
from curriculum.score.notes import Clef, Mark, MarkKind, WrittenNote

# Place (letters above C 0) of the lowest line, by clef sign, were the clef on the line named here.
CLEF_PLACES = {"G": 7 * 4 + 4, "F": 7 * 3 + 3, "C": 7 * 4}
LINES_BETWEEN_PLACES = 2
STAFF_TOP = 8  # places from the lowest line to the highest
USUAL_CLEF_LINES = {"G": 2, "F": 4, "C": 3}
LEAST_LEDGER_LINES = 2
OCTAVE_MARKS = {MarkKind.OCTAVE_UP: 1, MarkKind.OCTAVE_DOWN: -1}
TWO_OCTAVES_TEXT = "15"
# Louder to softer does not matter; how many different ones does.
LEVELS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
LEAST_GRADED_LEVELS = 3
LEAST_CONTRAST_LEVELS = 2
SWELL_WORDS = re.compile(r"\b(cresc|crescendo|decresc|decrescendo|dim|dimin|diminuendo|morendo)\b")
SWING_WORDS = re.compile(r"\b(swing|swung|shuffle)\b")
PEDAL_WORDS = re.compile(r"\b(ped|pedal|pedale|con ped)\b")
RUBATO_WORDS = re.compile(
    r"\b(rit|ritard|ritardando|riten|ritenuto|rall|rallentando|rubato|accel|accelerando|string|stringendo|"
    r"a tempo|allargando|slower|slowing|ad lib|ad libitum|tempo primo|tempo i)\b"
)
SHORT_MARKS = frozenset({"staccato", "staccatissimo", "spiccato"})
PORTATO_MARK = "detached-legato"
LONG_MARK = "tenuto"


def page_finds(found: Digest, *, instrument: Instrument) -> Iterator[Find]:
    """Yield what the page itself asks.

    Parameters
    ----------
    found : Digest
        The score.
    instrument : Instrument
        What range and pedals are held against.

    Yields
    ------
    Find
        One for each detector of this module that found something, or found nothing.

    Examples
    --------
    >>> from curriculum.score.demands.digest import digest
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> finds = page_finds(digest(make_pattern(Pattern(kind="scale", key="D"))), instrument=Instrument())
    >>> [find.detail for find in finds if find.key == "key_signature"]
    ['2 sharps']
    """
    yield _key_signature(found)
    yield _accidentals(found)
    yield from _staves(found)
    yield _clef_changes(found)
    yield from _instrument(found, instrument)
    yield from _signs(found)
    yield from _touches(found)
    yield from _levels(found)
    yield from _pedal(found)


def _notes_bars(notes: Iterable[WrittenNote]) -> frozenset[int]:
    return frozenset(note.bar for note in notes)


def _key_signature(found: Digest) -> Find:
    names = []
    for bar in found.bars:
        count = abs(bar.key.fifths)
        name = f"{count} {'sharp' if bar.key.fifths > 0 else 'flat'}{'' if count == 1 else 's'}"
        if count and name not in names:
            names.append(name)
    bars = frozenset(bar.index for bar in found.bars if bar.key.fifths)
    return Find("key_signature", bars, ", then ".join(names))


def _accidentals(found: Digest) -> Find:
    outside = [
        note
        for note in found.score.notes
        if not note.tie_stops and note.alter != found.bars[note.bar].key.alter_of(note.step)
    ]
    count = len({(note.step, note.alter) for note in outside})
    return Find(
        "accidental", _notes_bars(outside), f"{count} {'note' if count == 1 else 'different notes'} outside the key"
    )


def _staves(found: Digest) -> Iterator[Find]:
    """Yield what is read in which clef, and ledger lines, in one walk along the notes."""
    in_clef: dict[str, set[int]] = {"G": set(), "F": set()}
    ledger: dict[int, int] = {}
    staves: dict[int, set[int]] = {}
    for note, clef, lines in heads_on_staves(found):
        in_clef.setdefault(clef.sign, set()).add(note.bar)
        if lines >= LEAST_LEDGER_LINES:
            ledger[note.bar] = max(lines, ledger.get(note.bar, 0))
        staves.setdefault(note.bar, set()).add(note.staff)
    yield Find("treble_staff", frozenset(in_clef["G"]))
    yield Find("bass_staff", frozenset(in_clef["F"]))
    yield Find("both_staves", frozenset(bar for bar, these in staves.items() if len(these) > 1))
    yield Find("ledger", frozenset(ledger), f"up to {max(ledger.values(), default=0)} ledger lines")


def heads_on_staves(found: Digest) -> Iterator[tuple[WrittenNote, Clef, int]]:
    """Yield each note-head with the clef in which it is read and the ledger lines that it needs.

    Parameters
    ----------
    found : Digest
        The score.

    Yields
    ------
    note : WrittenNote
        In the order of time.
    clef : Clef
        Where a score has none, treble above and bass below.
    lines : int
        0 for notes on the five lines or right beside them.

    Examples
    --------
    >>> from curriculum.score.demands.digest import digest
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> note, clef, lines = next(heads_on_staves(digest(make_pattern(Pattern(kind="scale")))))
    >>> note.pitch_midi, clef.sign, lines
    (60, 'G', 1)
    """
    walks = {staff: _ClefWalk(found, staff) for staff in {note.staff for note in found.score.notes}}
    for note in sorted(found.score.notes, key=lambda note: (note.bar, note.offset_beat)):
        clef = walks[note.staff].at(note.bar, note.offset_beat)
        yield note, clef, _ledger_lines(note, clef=clef, shift=_octave_shift(found, note))


class _ClefWalk:
    """The clef of one staff at places that come in order."""

    def __init__(self, found: Digest, staff: int) -> None:
        sign = "G" if staff == 1 else "F"
        self.clef = Clef(0, Fraction(0), staff, sign, USUAL_CLEF_LINES[sign])
        clefs = sorted(
            (clef for clef in found.score.clefs if clef.staff == staff), key=lambda clef: (clef.bar, clef.offset_beat)
        )
        self.coming = clefs[::-1]

    def at(self, bar: int, offset: Fraction) -> Clef:
        while self.coming and (
            self.coming[-1].bar < bar or (self.coming[-1].bar == bar and self.coming[-1].offset_beat <= offset)
        ):
            self.clef = self.coming.pop()
        return self.clef


def _octave_shift(found: Digest, note: WrittenNote) -> int:
    """Return by how many octaves an octave sign makes a note sound higher than it is printed."""
    for kind, direction in OCTAVE_MARKS.items():
        for mark in found.marks_by_kind.get(kind, ()):
            if mark.staff not in (None, note.staff) or mark.to_bar is None:
                continue
            begins = (mark.bar, mark.offset_beat)
            ends = (mark.to_bar, mark.to_offset_beat if mark.to_offset_beat is not None else Fraction(10**6))
            if begins <= (note.bar, note.offset_beat) < ends:
                return direction * (2 if TWO_OCTAVES_TEXT in mark.text else 1)
    return 0


def _ledger_lines(note: WrittenNote, *, clef: Clef, shift: int) -> int:
    if clef.sign not in CLEF_PLACES:
        return 0
    printed = 7 * (note.octave - shift - clef.octave) + STEP_PLACE[note.step]
    lowest_line = CLEF_PLACES[clef.sign] - LINES_BETWEEN_PLACES * (clef.line - 1)
    height = printed - lowest_line
    if height < 0:
        return -height // LINES_BETWEEN_PLACES
    return max(0, (height - STAFF_TOP) // LINES_BETWEEN_PLACES)


def _clef_changes(found: Digest) -> Find:
    bars: set[int] = set()
    last: dict[int, tuple[str, int, int]] = {}
    for clef in sorted(found.score.clefs, key=lambda clef: (clef.bar, clef.offset_beat)):
        shape = (clef.sign, clef.line, clef.octave)
        if clef.staff in last and last[clef.staff] != shape:
            bars.add(clef.bar)
        last[clef.staff] = shape
    octaves = {mark.bar for kind in OCTAVE_MARKS for mark in found.marks_by_kind.get(kind, ())}
    words = [*(["a new clef"] if bars else []), *(["an octave sign"] if octaves else [])]
    return Find("clef_change", frozenset(bars | octaves), " and ".join(words))


def _instrument(found: Digest, instrument: Instrument) -> Iterator[Find]:
    beyond = [
        note for note in found.score.notes if not instrument.lowest_midi <= note.pitch_midi <= instrument.highest_midi
    ]
    yield Find("range_beyond_instrument", _notes_bars(beyond), "notes that your instrument does not have")
    bars = frozenset() if instrument.has_pedal else _pedal_bars(found)
    yield Find("pedal_beyond_instrument", bars, "pedal marks, and your instrument has no pedal")


def _words(found: Digest, wanted: re.Pattern[str]) -> frozenset[int]:
    marks = [*found.marks_by_kind.get(MarkKind.WORDS, ()), *found.marks_by_kind.get(MarkKind.TEMPO, ())]
    return frozenset(mark.bar for mark in marks if wanted.search(plain_words(mark.text)))


def plain_words(text: str) -> str:
    """Return printed words in the form in which they are compared: lower case, letters and single spaces.

    Parameters
    ----------
    text : str
        As printed.

    Returns
    -------
    str
        Empty where there are no letters.

    Examples
    --------
    >>> plain_words("Poco  Rit. ")
    'poco rit'
    """
    return " ".join(re.findall(r"[^\W\d_]+", text.lower()))


def _signs(found: Digest) -> Iterator[Find]:
    bars = found.bars
    notes = found.score.notes
    yield Find(
        "repeat_sign",
        frozenset(
            bar.index
            for bar in bars
            if bar.repeat_start
            or bar.repeat_times
            or bar.ending_starts
            or bar.segno
            or bar.coda
            or bar.to_coda
            or bar.da_capo
            or bar.dal_segno
            or bar.fine
        ),
    )
    yield Find("grace", _notes_bars(note for note in notes if note.grace))
    trills = found.marks_by_kind.get(MarkKind.TRILL_LINE, ())
    yield Find("ornament", _notes_bars(note for note in notes if note.ornaments) | {mark.bar for mark in trills})
    yield Find("chord_rolled", _notes_bars(note for note in notes if note.arpeggio))
    yield Find("tie", _notes_bars(note for note in notes if note.tie_starts))
    yield Find("upbeat", frozenset(bar.index for bar in bars[:1] if bar.pickup))
    yield Find("chord_symbol", frozenset(mark.bar for mark in found.marks_by_kind.get(MarkKind.CHORD_SYMBOL, ())))
    held = {mark.bar for mark in found.marks_by_kind.get(MarkKind.FERMATA, ())}
    held |= {rest.bar for rest in found.score.rests if rest.fermata}
    yield Find("fermata", _notes_bars(note for note in notes if "fermata" in note.articulations) | held)
    yield Find("swing_word", _words(found, SWING_WORDS))
    yield Find("rubato_word", _words(found, RUBATO_WORDS))


def _slurred(found: Digest) -> dict[str, list[tuple[int, int, int]]]:
    """Return for each hand the slurs: start and end in ticks, and how many events each spans."""
    spans: dict[str, list[tuple[int, int, int]]] = {"right": [], "left": []}
    onsets = {hand: [event.at for event in events] for hand, events in found.hands.items()}
    for mark in found.marks_by_kind.get(MarkKind.SLUR, ()):
        first, last = found.notes_by_id.get(mark.note), found.notes_by_id.get(mark.to_note)
        if first is None or last is None or first.hand is None or first.grace or last.grace:
            continue
        start, end = (found.starts[note.bar] + int(note.offset_beat * found.ticks) for note in (first, last))
        count = bisect_right(onsets[first.hand], end) - bisect_left(onsets[first.hand], start)
        spans[first.hand].append((start, end, count))
    return spans


def _touches(found: Digest) -> Iterator[Find]:
    slurs = _slurred(found)
    two: set[int] = set()
    long: set[int] = set()
    under: dict[str, set[int]] = {"right": set(), "left": set()}
    for hand, spans in slurs.items():
        for start, end, count in spans:
            bars = range(_bar_at(found, start), _bar_at(found, end) + 1)
            if count == 2:
                two.update(bars)
            elif count > 2:
                long.update(bars)
            under[hand].update(bars)
    short: dict[str | None, set[int]] = {"right": set(), "left": set(), None: set()}
    half: set[int] = set()
    for note in found.score.notes:
        marks = set(note.articulations)
        is_short = not marks.isdisjoint(SHORT_MARKS)
        if (
            PORTATO_MARK in marks
            or (is_short and LONG_MARK in marks)
            or (is_short and note.hand is not None and _is_inside(slurs[note.hand], found, note))
        ):
            half.add(note.bar)
        elif is_short:
            short[note.hand].add(note.bar)
    yield Find("slur_two", frozenset(two))
    yield Find("slur_long", frozenset(long))
    yield Find("staccato", frozenset(short["right"] | short["left"] | short[None]))
    yield Find("portato", frozenset(half))
    split = (short["right"] - under["right"]) & under["left"] | (short["left"] - under["left"]) & under["right"]
    yield Find("articulation_split", frozenset(split))


def _is_inside(spans: list[tuple[int, int, int]], found: Digest, note: WrittenNote) -> bool:
    """Whether a note lies under a slur and is not its last note, which may be short and still end a slur."""
    at = found.starts[note.bar] + int(note.offset_beat * found.ticks)
    return any(start <= at < end for start, end, _ in spans)


def _bar_at(found: Digest, at: int) -> int:
    low, high = 0, len(found.bars) - 1
    while low < high:
        middle = (low + high + 1) // 2
        if found.starts[middle] <= at:
            low = middle
        else:
            high = middle - 1
    return low


def _levels(found: Digest) -> Iterator[Find]:
    marks = [mark for mark in found.marks_by_kind.get(MarkKind.DYNAMIC, ()) if mark.text in LEVELS]
    levels = [level for level in LEVELS if any(mark.text == level for mark in marks)]
    bars = frozenset(mark.bar for mark in marks)
    detail = ", ".join(levels)
    is_graded = len(levels) >= LEAST_GRADED_LEVELS
    is_contrast = LEAST_CONTRAST_LEVELS <= len(levels) < LEAST_GRADED_LEVELS
    yield Find("dynamic_levels", bars if is_graded else frozenset(), detail)
    yield Find("dynamic_contrast", bars if is_contrast else frozenset(), detail)
    hairpins: set[int] = set()
    for kind in (MarkKind.CRESCENDO, MarkKind.DIMINUENDO):
        for mark in found.marks_by_kind.get(kind, ()):
            hairpins.update(_span(mark))
    yield Find("hairpin", frozenset(hairpins) | _words(found, SWELL_WORDS))


def _span(mark: Mark) -> range:
    return range(mark.bar, (mark.to_bar if mark.to_bar is not None else mark.bar) + 1)


def _pedal_bars(found: Digest) -> frozenset[int]:
    bars: set[int] = set()
    for mark in found.marks_by_kind.get(MarkKind.PEDAL, ()):
        bars.update(_span(mark))
    return frozenset(bars) | _words(found, PEDAL_WORDS)


def _pedal(found: Digest) -> Iterator[Find]:
    yield Find("pedal_mark", _pedal_bars(found))
    marks = found.marks_by_kind.get(MarkKind.PEDAL, [])
    ends = {(mark.to_bar, mark.to_offset_beat) for mark in marks}
    changes = frozenset(mark.bar for mark in marks if mark.text == "change" or (mark.bar, mark.offset_beat) in ends)
    yield Find("pedal_change", changes)
