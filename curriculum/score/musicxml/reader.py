"""MusicXML into a written score: parts chosen, bars walked through, and everything put in its order with ids of our own."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from operator import itemgetter
from typing import Any
from xml.etree import ElementTree as ET

from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.collecting import uncollected
from curriculum.score.errors import RefusalCode, ScoreContentError, WarningCode
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits, parse_xml
from curriculum.score.making import sort_marks
from curriculum.score.musicxml.parts import ChosenParts, choose_parts, parts_of
from curriculum.score.musicxml.walker import FoundBar, Head, SpanEnd, Walker, ticks_of
from curriculum.score.notes import (
    ZERO,
    Bar,
    Clef,
    Hand,
    Mark,
    MarkKind,
    ScoreWarning,
    Tempo,
    Tuplet,
    WrittenNote,
    WrittenRest,
    WrittenScore,
)
from curriculum.score.playing import check_length
from curriculum.score.turning import turn_staves

# Widest distance, in semitones, of notes struck together that one hand is believed to play: a tenth. Beyond it hands differ
# from staves, or the chord is rolled. (In the scores looked at, true single-hand chords stay within 16.)
WIDEST_STRETCH = 16

# Voices are numbered from here in the lower of two parts, as notation programs number those of a lower staff.
LOWER_PART_VOICE = 4

# What lines of each kind are called; ends of hairpins, octave lines and pedals are named by their family alone.
_LINES = {
    "slur": "a slur", "glissando": "a glissando", "trill_line": "a trill line", "crescendo": "a hairpin", "diminuendo": "a hairpin",
    "wedge": "a hairpin", "octave_up": "an octave line", "octave_down": "an octave line", "octave": "an octave line",
    "pedal": "a pedal line",
}  # fmt: skip


class _Warnings:
    """Collects doubts: one for each cause (and kind of it, where there are several), with all its bars."""

    def __init__(self) -> None:
        self.found: dict[tuple[WarningCode, str], tuple[str, list[int]]] = {}

    def add(self, code: WarningCode, bar: int, text: str, *, kind: str = "") -> None:
        bars = self.found.setdefault((code, kind), (text, []))[1]
        if not bars or bars[-1] != bar:
            bars.append(bar)

    def as_warnings(self, bars: tuple[Bar, ...]) -> tuple[ScoreWarning, ...]:
        found = []
        for (code, _), (text, indices) in sorted(self.found.items(), key=lambda item: item[1][1][:1]):
            places = tuple(sorted(set(indices)))
            where = name_bars(bars, places)
            found.append(ScoreWarning(code, where, f"{where[:1].upper()}{where[1:]}: {text}", places))
        return tuple(found)


def read_musicxml(data: bytes, *, answers: Answers = NO_ANSWERS, limits: ScoreLimits = USUAL_LIMITS) -> WrittenScore:
    """Return what a MusicXML score says for two hands at a piano.

    Parameters
    ----------
    data : bytes
        Unpacked MusicXML, partwise or timewise, in any encoding that expat knows.
    answers : Answers
        To questions of an earlier reading.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    WrittenScore
        With a warning for every doubt.

    Raises
    ------
    ScoreFileError
        If the XML is broken, declares entities or is no score.
    ScoreContentError
        If the score contradicts itself, has no notes, or does not tell which part is the piano.
    ScoreTooLargeError
        If there is more of anything than ``limits`` allow.

    Examples
    --------
    >>> from curriculum.score.making import PlannedNote, make_score, plain_bars
    >>> from curriculum.score.musicxml.writer import write_musicxml
    >>> score = make_score([PlannedNote(Fraction(0), Fraction(4), "C")], bars=plain_bars(1))
    >>> read_musicxml(write_musicxml(score)) == score
    True
    """
    with uncollected():
        return _read(parse_xml(data, limits=limits), answers=answers, limits=limits)


def _read(root: ET.Element, *, answers: Answers, limits: ScoreLimits) -> WrittenScore:
    chosen = choose_parts(parts_of(root), part=answers.part, hand=answers.hand)
    warnings = _Warnings()
    ticks = ticks_of([measure for part in chosen.parts for measure in part.measures])
    walkers = []
    for place, part in enumerate(chosen.parts):
        walker = Walker(ticks=ticks, warn=warnings.add, limits=limits, staff_shift=place)
        walker.walk(part.measures)
        for head in walker.heads:
            head.part = place
        walkers.append(walker)
    score = _Assembly(walkers, chosen=chosen, ticks=ticks, warnings=warnings).score(root)
    # What is kept and drawn has the right hand above, wherever the file had it.
    return turn_staves(score) if chosen.hands == ("left", "right") else score


def name_bars(bars: Iterable[Bar] | tuple[Bar, ...], indices: tuple[int, ...]) -> str:
    """Return places in words: ``bar 5``, ``bars 5, 7 to 9``.

    Parameters
    ----------
    bars : iterable of Bar
        All bars, in printed order.
    indices : tuple of int
        Sorted, without doubles.

    Returns
    -------
    str
        Empty for no indices. After a dozen places the rest is counted.

    Examples
    --------
    >>> from curriculum.score.making import plain_bars
    >>> name_bars(plain_bars(9), (0, 4, 5, 6))
    'bars 1, 5 to 7'
    """
    numbers = [bar.number for bar in bars]
    runs: list[list[int]] = []
    for index in indices:
        if runs and index == runs[-1][-1] + 1:
            runs[-1].append(index)
        else:
            runs.append([index])
    shown = [
        numbers[run[0]] if len(run) == 1 else f"{numbers[run[0]]} {'to' if len(run) > 2 else 'and'} {numbers[run[-1]]}"
        for run in runs
    ]
    if not shown:
        return ""
    more = f" and {len(shown) - 12} more places" if len(shown) > 12 else ""
    return ("bar " if len(indices) == 1 else "bars ") + ", ".join(shown[:12]) + more


class _Assembly:
    """Turns what walkers found into a score."""

    def __init__(self, walkers: list[Walker], *, chosen: ChosenParts, ticks: int, warnings: _Warnings) -> None:
        self.walkers = walkers
        self.chosen = chosen
        self.ticks = ticks
        self.warnings = warnings
        self._fractions: dict[int, Fraction] = {}

    def beats(self, ticks: int) -> Fraction:
        found = self._fractions.get(ticks)
        if found is None:
            found = self._fractions[ticks] = Fraction(ticks, self.ticks)
        return found

    def score(self, root: ET.Element) -> WrittenScore:
        bars = self._bars()
        heads = [head for walker in self.walkers for head in walker.heads]
        check_length(bars, struck=Counter(head.bar for head in heads if head.step and not head.tie_stops))
        voices = self._voice_numbers()
        notes = self._notes(heads, voices)
        if not notes:
            raise ScoreContentError("The score has no notes.", code=RefusalCode.NO_NOTES)
        rests = self._rests(heads, voices)
        tempi = self._tempi(bars)
        if not tempi or tempi[0].bar > 0 or tempi[0].offset_beat > 0:
            self.warnings.add(
                WarningCode.TEMPO_MISSING, 0, "no tempo stands at the beginning. How fast do you want to play it?"
            )
        self._check_hands(heads)
        self._check_ties(bars, notes)
        title, composer = _title(root)
        return WrittenScore(
            bars=bars,
            notes=notes,
            rests=rests,
            clefs=self._clefs(),
            marks=self._marks(bars),
            tempi=tempi,
            staves=len(self.chosen.hands),
            title=title,
            composer=composer,
            warnings=(*self.chosen.warnings, *self.warnings.as_warnings(bars)),
            source="musicxml",
        )

    # -- bars ------------------------------------------------------------------------------------------------------

    def _bars(self) -> tuple[Bar, ...]:
        found = self.walkers[0].bars
        for walker in self.walkers[1:]:
            for bar, other in zip(found, walker.bars, strict=True):
                bar.content = max(bar.content, other.content)
        for bar, following in pairwise(found):
            following.repeat_start = following.repeat_start or bar.starts_after
            bar.repeat_times = bar.repeat_times or following.repeat_before
        self._settle_codas(found)
        if any(bar.metre is None and bar.content for bar in found[:1]):
            self.warnings.add(WarningCode.METRE_MISSING, 0, "no time signature stands at the beginning.")
        bars = tuple(self._bar(found, index) for index in range(len(found)))
        self._check_repeats(bars)
        return bars

    def _bar(self, found: list[FoundBar], index: int) -> Bar:
        bar = found[index]
        length = self._length(found, index)
        pickup = index == 0 and bar.metre is not None and length < bar.metre.length_beat and len(found) > 1
        return Bar(
            index,
            "0" if pickup else bar.number,
            length,
            bar.metre,
            bar.key,
            pickup=pickup,
            repeat_start=bar.repeat_start,
            repeat_times=bar.repeat_times,
            endings=bar.endings,
            ending_starts=bar.ending_starts,
            ending_stops=bar.ending_stops,
            barline=bar.barline,
            segno=bar.segno,
            coda=bar.coda,
            to_coda=bar.to_coda,
            da_capo=bar.da_capo,
            dal_segno=bar.dal_segno,
            fine=bar.fine,
        )

    def _length(self, found: list[FoundBar], index: int) -> Fraction:
        """Return how far time moves on: the metre, but for pickups, split bars, and bars that hold more."""
        bar = found[index]
        content = self.beats(bar.content)
        if bar.metre is None:
            return content or Fraction(4)
        full = bar.metre.length_beat
        if content == full or not content:
            return full
        if content > full:
            self.warnings.add(WarningCode.BAR_LONG, index, "there is more in it than the time signature allows.")
            return content
        if bar.implicit or (index == 0 and len(found) > 1) or self._is_split(found, index):
            return content
        if index == len(found) - 1 and index and content + self.beats(found[0].content) == full:
            return content  # the last bar and the pickup make one
        self.warnings.add(
            WarningCode.BAR_SHORT, index, "there is less in it than the time signature asks for; it was filled up."
        )
        return full

    def _is_split(self, found: list[FoundBar], index: int) -> bool:
        """Say whether a short bar is short because a repeat, a jump or a double bar stands in its middle."""
        bar = found[index]
        if bar.repeat_start or bar.repeat_times or bar.ending_stops or bar.da_capo or bar.dal_segno or bar.fine:
            return True
        before = found[index - 1] if index else None
        after = found[index + 1] if index + 1 < len(found) else None
        if after is not None and after.repeat_start:
            return True
        if before is not None and (before.repeat_times or before.ending_stops or before.fine or before.da_capo):
            return True
        full = bar.metre.length_beat if bar.metre is not None else ZERO
        return any(
            other is not None
            and line.barline in ("light-light", "light-heavy")
            and self.beats(other.content + bar.content) == full
            for other, line in ((before, before or bar), (after, bar))
        )

    def _settle_codas(self, found: list[FoundBar]) -> None:
        """Tell the sign at which one leaves from the sign at which one arrives, where only the signs are there."""
        signs = [bar for bar in found if bar.coda]
        if any(bar.to_coda for bar in found):
            if len(signs) > 1:
                for bar in signs[:-1]:
                    bar.coda = False
        elif len(signs) > 1 and any(bar.da_capo or bar.dal_segno for bar in found):
            for bar in signs[:-1]:
                bar.coda, bar.to_coda = False, True

    def _check_repeats(self, bars: tuple[Bar, ...]) -> None:
        opened: int | None = None
        for bar in bars:
            if bar.repeat_start:
                if opened is not None:
                    self._unclosed(opened)
                opened = bar.index
            if bar.repeat_times or (bar.ending_stops and opened is not None and not bar.repeat_times):
                opened = None
        if opened is not None:
            self._unclosed(opened)
        last = bars[-1].index
        if any(bar.dal_segno for bar in bars) and not any(bar.segno for bar in bars):
            index = next(bar.index for bar in bars if bar.dal_segno)
            self.warnings.add(
                WarningCode.JUMP_UNMATCHED,
                index,
                "it says to go back to the sign, but there is no sign. Where do you go?",
            )
        jump = next((bar for bar in bars if bar.da_capo or bar.dal_segno), None)
        if jump is None and any(bar.to_coda for bar in bars):
            index = next(bar.index for bar in bars if bar.to_coda)
            self.warnings.add(
                WarningCode.JUMP_UNMATCHED, index, "a coda is named, but nothing leads back. When do you leap?"
            )
        if jump is not None and any(bar.to_coda for bar in bars) and not any(bar.coda for bar in bars):
            self.warnings.add(
                WarningCode.JUMP_UNMATCHED, jump.index, "it names a coda that is not there. Where do you go?"
            )
        if jump is not None and jump.index < last and not any(bar.fine or bar.to_coda for bar in bars):
            self.warnings.add(
                WarningCode.JUMP_UNMATCHED, jump.index, "it leads back, but no end (Fine) is marked. Where do you stop?"
            )

    def _unclosed(self, index: int) -> None:
        self.warnings.add(
            WarningCode.REPEAT_UNMATCHED,
            index,
            "a repeat opens here and is never closed; it is played once. Is that right?",
        )

    # -- notes -----------------------------------------------------------------------------------------------------

    def _voice_numbers(self) -> list[list[int]]:
        """Return our number for each voice of each part; numbers of the file are kept where they are numbers."""
        found: list[list[int]] = []
        for place, walker in enumerate(self.walkers):
            shift = 0 if place == 0 else max([LOWER_PART_VOICE, *found[0]])
            kept = {int(name) for name in walker.voices if name.isdecimal() and 1 <= int(name) <= 99}
            numbers = []
            free = (number for number in range(1, 10_000) if number not in kept)
            for name in walker.voices:
                number = int(name) if name.isdecimal() and 1 <= int(name) <= 99 else next(free)
                numbers.append(number + shift)
            found.append(numbers)
        return found

    def _notes(self, heads: list[Head], voices: list[list[int]]) -> tuple[WrittenNote, ...]:
        keyed = [
            (
                head.bar,
                voices[head.part][head.voice],
                head.offset,
                head.grace == 0,
                head.grace,
                head.height(),
                head.alter,
                head.staff,
                place,
                head,
            )
            for place, head in enumerate(heads)
            if head.step
        ]
        keyed.sort(key=itemgetter(slice(0, 9)))
        self._spread_over_chords(keyed)
        hands = self.chosen.hands
        beats = self.beats
        notes = []
        before: tuple[Any, ...] = ()
        place, bar = 0, -1
        for key in keyed:
            head = key[-1]
            here = (key[0], key[1], key[2], key[4])
            chord = here == before
            before = here
            place = place + 1 if head.bar == bar else 1
            bar = head.bar
            head.written_id = f"b{bar}n{place}"
            if head.hidden:
                self.warnings.add(WarningCode.HIDDEN_NOTE, bar, "a note is in the file but not printed; it was read.")
            notes.append(
                WrittenNote(
                    head.written_id,
                    bar,
                    beats(head.offset),
                    beats(head.duration),
                    head.pitch,
                    head.step,
                    head.alter,
                    head.octave,
                    self._hand(hands, head),
                    head.staff,
                    key[1],
                    head.finger,
                    head.value,
                    head.dots,
                    None
                    if head.tuplet is None
                    else Tuplet(*head.tuplet, starts=head.tuplet_starts, stops=head.tuplet_stops),
                    head.grace,
                    head.grace_slash,
                    chord,
                    head.tie_starts,
                    head.tie_stops,
                    head.accidental,
                    () if chord else head.beams,
                    _named(head.articulations, fermata=head.fermata),
                    _named(head.ornaments, fermata=False),
                    head.arpeggio,
                )
            )
        return tuple(notes)

    def _spread_over_chords(self, keyed: list[tuple[Any, ...]]) -> None:
        """Beams belong to the lowest note of a chord, the ends of a tuplet's bracket to all its notes."""
        start = 0
        for end in range(1, len(keyed) + 1):
            same = end < len(keyed) and keyed[end][:3] == keyed[start][:3] and keyed[end][4] == keyed[start][4]
            if same:
                continue
            if end - start > 1:
                chord: list[Head] = [key[-1] for key in keyed[start:end]]
                beams = next((head.beams for head in chord if head.beams), ())
                bracket = chord[0].tuplet is not None
                starts = bracket and any(head.tuplet_starts for head in chord)
                stops = bracket and any(head.tuplet_stops for head in chord)
                for head in chord:
                    head.tuplet_starts, head.tuplet_stops = starts, stops
                chord[0].beams = beams
            start = end

    def _hand(self, hands: tuple[Hand | None, ...], head: Head) -> Hand | None:
        if head.staff > len(hands):
            return None
        return hands[head.staff - 1]

    def _rests(self, heads: list[Head], voices: list[list[int]]) -> tuple[WrittenRest, ...]:
        rests = [
            WrittenRest(
                head.bar,
                self.beats(head.offset),
                self.beats(head.duration),
                head.staff,
                voices[head.part][head.voice],
                head.value,
                head.dots,
                None
                if head.tuplet is None
                else Tuplet(*head.tuplet, starts=head.tuplet_starts, stops=head.tuplet_stops),
                head.whole_bar,
                head.hidden,
                head.fermata,
            )
            for head in heads
            if not head.step
        ]
        rests.sort(key=lambda rest: (rest.bar, rest.voice, rest.offset_beat))
        return tuple(rests)

    # -- the rest --------------------------------------------------------------------------------------------------

    def _clefs(self) -> tuple[Clef, ...]:
        found = [
            replace(clef, bar=bar, offset_beat=self.beats(at))
            for walker in self.walkers
            for bar, at, clef in walker.clefs
        ]
        return tuple(sorted(found, key=lambda clef: (clef.bar, clef.offset_beat, clef.staff)))

    def _inside(self, bar: Bar, ticks: int) -> Fraction:
        """Return an offset in quarters, at most the length of the bar: some programs place marks behind its end."""
        return min(self.beats(ticks), bar.length_beat)

    def _tempi(self, bars: tuple[Bar, ...]) -> tuple[Tempo, ...]:
        found: dict[tuple[int, Fraction], Tempo] = {}
        for walker in self.walkers:
            for bar, at, tempo in walker.tempi:
                offset = self._inside(bars[bar], at)
                found.setdefault((bar, offset), replace(tempo, bar=bar, offset_beat=offset))
        return tuple(tempo for _, tempo in sorted(found.items(), key=itemgetter(0)))

    def _marks(self, bars: tuple[Bar, ...]) -> tuple[Mark, ...]:
        found = [
            Mark(mark.kind, mark.bar, self._inside(bars[mark.bar], mark.offset), mark.staff, mark.text)
            for walker in self.walkers
            for mark in walker.marks
        ]
        for walker in self.walkers:
            found.extend(self._spans(walker.ends, bars))
        return sort_marks(found)

    def _spans(self, ends: list[SpanEnd], bars: tuple[Bar, ...]) -> list[Mark]:
        """Join starts and stops in the order of time, not of the file: a voice may come later in the file and stop earlier."""
        found: list[Mark] = []
        waiting: dict[tuple[str, str], list[SpanEnd]] = {}
        alone: list[SpanEnd] = []
        for end in sorted(ends, key=_when):
            family = end.kind.value if end.head is not None and end.kind is not None else ""
            opened = waiting.setdefault((family, end.number), [])
            if end.starts:
                # The line of one trill begins and ends on one note, where ends come first.
                own = next(
                    (other for other in alone if end.kind is MarkKind.TRILL_LINE and other.head is end.head), None
                )
                if own is None:
                    opened.append(end)
                else:
                    alone.remove(own)
                    found.append(self._span(end, own, bars))
            elif opened:
                start = _begun(opened, end)
                opened.remove(start)
                found.append(self._span(start, end, bars))
            elif end.text != "change":
                alone.append(end)
        for end in (*alone, *(start for opened in waiting.values() for start in opened)):
            name = _LINES[end.kind.value if end.kind is not None else end.number.partition(" ")[0]]
            text = (
                f"{name} does not end; it was left out."
                if end.starts
                else f"{name} ends that did not begin; it was left out."
            )
            self.warnings.add(WarningCode.LINE_UNMATCHED, end.bar, text, kind=text)
        return found

    def _span(self, start: SpanEnd, end: SpanEnd, bars: tuple[Bar, ...]) -> Mark:
        return Mark(
            start.kind or MarkKind.SLUR,
            start.bar,
            self._inside(bars[start.bar], start.offset),
            start.staff,
            start.text,
            end.bar,
            self._inside(bars[end.bar], end.offset),
            start.head.written_id if start.head is not None else "",
            end.head.written_id if end.head is not None else "",
        )

    def _check_hands(self, heads: list[Head]) -> None:
        hands = self.chosen.hands
        together: dict[tuple[int, int, Hand], list[Head]] = {}
        for head in heads:
            hand = self._hand(hands, head)
            if hand is not None and head.step and not head.grace:
                together.setdefault((head.bar, head.offset, hand), []).append(head)
        for (bar, _, _), chord in together.items():
            if len(chord) < 2:
                continue
            pitches = [head.pitch for head in chord]
            if max(pitches) - min(pitches) > WIDEST_STRETCH and not any(head.arpeggio for head in chord):
                self.warnings.add(
                    WarningCode.HAND_DOUBTFUL,
                    bar,
                    "notes struck together on one staff are too far apart for one hand. Which hand plays which?",
                )

    def _check_ties(self, bars: tuple[Bar, ...], notes: tuple[WrittenNote, ...]) -> None:
        """Name ties with one end: of the same pitch no head is where the tie comes from, or leads to.

        Over a barline heads are looked for in the neighbouring bar only at its edge. Where an ending or a repeat begins, what comes
        before is played elsewhere in the file, and so is what comes after a bar at whose end one goes back.
        """
        starts: dict[int, set[tuple[int, Fraction]]] = {}  # pitch -> where heads with a tie end
        stops: dict[int, set[tuple[int, Fraction]]] = {}  # pitch -> where heads that are tied to begin
        for note in notes:
            if note.tie_starts:
                is_at_edge = note.end_beat >= bars[note.bar].length_beat
                starts.setdefault(note.pitch_midi, set()).add(
                    (note.bar + is_at_edge, ZERO if is_at_edge else note.end_beat)
                )
            if note.tie_stops:
                stops.setdefault(note.pitch_midi, set()).add((note.bar, note.offset_beat))
        for pitch_midi, places in stops.items():
            for bar, _ in sorted(places - starts.get(pitch_midi, set())):
                if not (bars[bar].ending_starts or bars[bar].repeat_start):
                    text = "a tie comes from nowhere; the note was read as struck."
                    self.warnings.add(WarningCode.TIE_UNMATCHED, bar, text)
        for pitch_midi, places in starts.items():
            for bar, offset in sorted(places - stops.get(pitch_midi, set())):
                before = bars[bar - 1] if offset == 0 and bar else bars[min(bar, len(bars) - 1)]
                if not (before.repeat_times or before.ending_stops or before.da_capo or before.dal_segno):
                    text = "a tie leads nowhere; the note was read with its own length."
                    self.warnings.add(WarningCode.TIE_UNMATCHED, before.index, text, kind="start")


def _begun(opened: list[SpanEnd], end: SpanEnd) -> SpanEnd:
    """Return what an end belongs to among what is open under its number: the youngest of its voice, else of its staff, else of all."""

    def nearness(place: int) -> tuple[bool, bool, int]:
        start = opened[place]
        is_same_voice = start.head is not None and end.head is not None and start.head.voice == end.head.voice
        return is_same_voice, start.staff == end.staff, place

    return opened[max(range(len(opened)), key=nearness)]


def _when(end: SpanEnd) -> tuple[int, int, int, int]:
    """Return what ends of spans are sorted by: place, grace notes first, stops before starts."""
    grace = end.head.grace if end.head is not None and end.head.grace else 1000
    return (end.bar, end.offset, grace, int(end.starts))


def _named(names: tuple[str, ...], *, fermata: bool) -> tuple[str, ...]:
    if not names:
        return ("fermata",) if fermata else ()
    return tuple(sorted({*names, "fermata"} if fermata else set(names)))


def _title(root: ET.Element) -> tuple[str, str]:
    title = root.findtext("work/work-title") or root.findtext("movement-title") or ""
    composer = next(
        (
            creator.text or ""
            for creator in root.findall("identification/creator")
            if creator.get("type", "composer") == "composer"
        ),
        "",
    )
    return " ".join(title.split())[:200], " ".join(composer.split())[:200]
