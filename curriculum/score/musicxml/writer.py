"""A written score as MusicXML 4.0: one part, our ids on every head and rest, readable by other programs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction
from math import lcm
from xml.sax.saxutils import escape, quoteattr

from curriculum.score.notes import Bar, Clef, Mark, MarkKind, Metre, Tempo, WrittenNote, WrittenRest, WrittenScore

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_JUMP_WORDS = re.compile(r"\s*(d\.?\s?[cs]\b|da\s+capo|dal\s+segno|(to|alla)\s+coda|fine)", re.IGNORECASE)
_PART_NAMES = {"right": "Right hand", "left": "Left hand"}
# Where articulations stand in MusicXML; the others stand under <articulations>.
_ARTICULATIONS = frozenset({
    "accent", "strong-accent", "staccato", "tenuto", "detached-legato", "staccatissimo", "spiccato", "scoop", "plop",
    "doit", "falloff", "breath-mark", "caesura", "stress", "unstress", "soft-accent", "other-articulation",
})  # fmt: skip
_DYNAMICS = frozenset({
    "p", "pp", "ppp", "pppp", "ppppp", "pppppp", "f", "ff", "fff", "ffff", "fffff", "ffffff", "mp", "mf", "sf", "sfp", "sfpp", "fp", "rf", "rfz", "sfz", "sffz", "fz", "n", "pf", "sfzp",
})  # fmt: skip


def write_musicxml(score: WrittenScore) -> bytes:
    """Return a score as MusicXML that :func:`read_musicxml` reads back equal.

    Parameters
    ----------
    score : WrittenScore
        Any score.

    Returns
    -------
    bytes
        UTF-8, one part, with one staff or more.

    Examples
    --------
    >>> from curriculum.score.making import PlannedNote, make_score, plain_bars
    >>> b'<note id="b0n1">' in write_musicxml(make_score([PlannedNote(Fraction(0), Fraction(4), "C")], bars=plain_bars(1)))
    True
    """
    return _Writer(score).document().encode("utf-8")


class _Writer:
    def __init__(self, score: WrittenScore) -> None:
        self.score = score
        self.divisions = _divisions(score)
        self.out: list[str] = []
        self.at = 0
        self.jump = ""  # what the sound element of this bar still has to say of leaps
        self.slurs = _numbered(score.marks, {note.id: note for note in score.notes})
        self.lines = _lines(score.marks)

    def ticks(self, beats: Fraction) -> int:
        return int(beats * self.divisions)

    def document(self) -> str:
        score = self.score
        hands = {note.hand for note in score.notes}
        only = next(iter(hands)) if score.staves == 1 and len(hands) == 1 else None
        name = _PART_NAMES[only] if only is not None else "Piano"
        out = self.out
        out.append(_HEAD + '<score-partwise version="4.0">')
        if score.title:
            out.append(f"<work><work-title>{escape(score.title)}</work-title></work>")
        if score.composer:
            out.append(f'<identification><creator type="composer">{escape(score.composer)}</creator></identification>')
        out.append(
            f'<part-list><score-part id="P1"><part-name>{name}</part-name></score-part></part-list><part id="P1">'
        )
        notes = _by_bar(score.notes, len(score.bars))
        rests = _by_bar(score.rests, len(score.bars))
        for bar in score.bars:
            self._bar(bar, [*notes[bar.index], *rests[bar.index]])
        out.append("</part></score-partwise>\n")
        return "".join(out)

    def _bar(self, bar: Bar, members: list[WrittenNote | WrittenRest]) -> None:
        out = self.out
        implicit = bar.pickup or (bar.metre is not None and bar.length_beat < bar.metre.length_beat)
        out.append(f"<measure number={quoteattr(bar.number)}{_flag('implicit') if implicit else ''}>")
        self.at = 0
        if bar.repeat_start or bar.ending_starts:
            out.append('<barline location="left">')
            if bar.repeat_start:
                out.append("<bar-style>heavy-light</bar-style>")
            if bar.ending_starts:
                numbers = ", ".join(map(str, bar.endings))
                out.append(f'<ending number="{numbers}" type="start">{numbers}.</ending>')
            if bar.repeat_start:
                out.append('<repeat direction="forward"/>')
            out.append("</barline>")
        self.jump = "".join(
            f' {key}="{value}"'
            for key, value, is_there in (
                ("dacapo", "yes", bar.da_capo),
                ("dalsegno", "segno", bar.dal_segno),
                ("fine", "yes", bar.fine),
                ("tocoda", "coda", bar.to_coda),
            )
            if is_there
        )
        self._attributes(bar)
        self._signs(bar)
        self._placed(bar)
        self._voices(members)
        self._move(self.ticks(bar.length_beat))
        if self.jump:
            out.append(f"<sound{self.jump}/>")
        self._right(bar)
        out.append("</measure>")

    def _right(self, bar: Bar) -> None:
        if not (bar.barline or bar.ending_stops or bar.repeat_times):
            return
        out = self.out
        out.append('<barline location="right">')
        if bar.barline:
            out.append(f"<bar-style>{escape(bar.barline)}</bar-style>")
        if bar.ending_stops:
            numbers = ", ".join(map(str, bar.endings))
            way = "stop" if bar.repeat_times else "discontinue"
            out.append(f'<ending number="{numbers}" type="{way}"/>')
        if bar.repeat_times:
            times = f' times="{bar.repeat_times}"' if bar.repeat_times > 2 else ""
            out.append(f'<repeat direction="backward"{times}/>')
        out.append("</barline>")

    def _attributes(self, bar: Bar) -> None:
        before = self.score.bars[bar.index - 1] if bar.index else None
        clefs = [clef for clef in self.score.clefs if clef.bar == bar.index and clef.offset_beat == 0]
        inside = []
        if before is None:
            inside.append(f"<divisions>{self.divisions}</divisions>")
        if before is None or before.key != bar.key:
            mode = f"<mode>{escape(bar.key.mode)}</mode>" if bar.key.mode else ""
            inside.append(f"<key><fifths>{bar.key.fifths}</fifths>{mode}</key>")
        if (before is None and bar.metre is not None) or (before is not None and before.metre != bar.metre):
            inside.append(_time(bar.metre))
        if before is None and self.score.staves > 1:
            inside.append(f"<staves>{self.score.staves}</staves>")
        inside.extend(self._clef(clef) for clef in clefs)
        if inside:
            self.out.append("<attributes>" + "".join(inside) + "</attributes>")

    def _clef(self, clef: Clef) -> str:
        number = f' number="{clef.staff}"' if self.score.staves > 1 else ""
        line = f"<line>{clef.line}</line>" if clef.line else ""
        octave = f"<clef-octave-change>{clef.octave}</clef-octave-change>" if clef.octave else ""
        return f"<clef{number}><sign>{escape(clef.sign)}</sign>{line}{octave}</clef>"

    def _signs(self, bar: Bar) -> None:
        if bar.segno:
            self._direction("<segno/>", sound=' segno="segno"')
        if bar.coda:
            self._direction("<coda/>", sound=' coda="coda"')

    def _direction(self, inside: str, *, staff: int | None = None, sound: str = "") -> None:
        self.out.append(
            f"<direction><direction-type>{inside}</direction-type>"
            + (f"<staff>{staff}</staff>" if staff is not None else "")
            + (f"<sound{sound}/>" if sound else "")
            + "</direction>"
        )

    def _placed(self, bar: Bar) -> None:
        """Write clefs, tempi and marks, each where it stands."""
        todo: list[tuple[Fraction, int, object]] = [
            (clef.offset_beat, 0, clef) for clef in self.score.clefs if clef.bar == bar.index and clef.offset_beat > 0
        ]
        todo.extend((tempo.offset_beat, 1, tempo) for tempo in self.score.tempi if tempo.bar == bar.index)
        todo.extend((at, 2, text) for at, text in self.lines.get(bar.index, ()))
        todo.extend(
            (mark.offset_beat, 3, mark) for mark in self.score.marks if mark.bar == bar.index and mark.to_bar is None
        )
        for at, _, thing in sorted(todo, key=lambda item: item[:2]):
            self._move(self.ticks(at))
            if isinstance(thing, Clef):
                self.out.append(f"<attributes>{self._clef(thing)}</attributes>")
            elif isinstance(thing, Tempo):
                self._tempo(thing)
            elif isinstance(thing, Mark):
                self._mark(thing)
            else:
                self.out.append(str(thing))
        self._move(0)

    def _tempo(self, tempo: Tempo) -> None:
        sound = f' tempo="{_decimal(tempo.bpm)}"'
        if not tempo.value:
            self.out.append(f"<sound{sound}/>")
            return
        dots = "<beat-unit-dot/>" * tempo.dots
        self._direction(
            f"<metronome><beat-unit>{tempo.value}</beat-unit>{dots}<per-minute>{escape(tempo.per_minute)}</per-minute></metronome>",
            sound=sound,
        )

    def _mark(self, mark: Mark) -> None:
        text = escape(mark.text)
        if mark.kind == MarkKind.DYNAMIC:
            inside = f"<{text}/>" if mark.text in _DYNAMICS else f"<other-dynamics>{text}</other-dynamics>"
            self._direction(f"<dynamics>{inside}</dynamics>", staff=mark.staff)
        elif mark.kind == MarkKind.WORDS:
            # Where the words stand, some programs look for what they mean, and nowhere else.
            jump = self.jump if _JUMP_WORDS.match(mark.text) else ""
            self._direction(f"<words>{text}</words>", staff=mark.staff, sound=jump)
            if jump:
                self.jump = ""
        elif mark.kind == MarkKind.REHEARSAL:
            self._direction(f"<rehearsal>{text}</rehearsal>", staff=mark.staff)
        elif mark.kind == MarkKind.CHORD_SYMBOL:
            self.out.append(_harmony(mark.text))
        elif mark.kind == MarkKind.FERMATA:
            self.out.append('<barline location="middle"><fermata/></barline>')

    def _voices(self, members: list[WrittenNote | WrittenRest]) -> None:
        voices: dict[int, list[WrittenNote | WrittenRest]] = {}
        for member in members:
            voices.setdefault(member.voice, []).append(member)
        for _, in_voice in sorted(voices.items()):
            # Stable: notes come in the order of the score, chords together.
            in_voice.sort(key=lambda member: (member.offset_beat, isinstance(member, WrittenRest)))
            for member in in_voice:
                if isinstance(member, WrittenRest):
                    self._move(self.ticks(member.offset_beat))
                    self._rest(member)
                else:
                    if not member.chord:
                        self._move(self.ticks(member.offset_beat))
                    self._note(member)

    def _move(self, at: int) -> None:
        if at > self.at:
            self.out.append(f"<forward><duration>{at - self.at}</duration></forward>")
        elif at < self.at:
            self.out.append(f"<backup><duration>{self.at - at}</duration></backup>")
        self.at = at

    def _rest(self, rest: WrittenRest) -> None:
        hidden = ' print-object="no"' if rest.hidden else ""
        length = self.ticks(rest.duration_beat)
        self.out.append(
            f"<note{hidden}><rest{_flag('measure') if rest.whole_bar else ''}/><duration>{length}</duration>"
            f"<voice>{rest.voice}</voice>"
            + ("" if rest.whole_bar else f"<type>{rest.value}</type>" + "<dot/>" * rest.dots)
            + _ratio(rest)
            + (f"<staff>{rest.staff}</staff>" if self.score.staves > 1 else "")
            + _notations([*_bracket(rest), "<fermata/>" * rest.fermata])
            + "</note>"
        )
        self.at += length

    def _note(self, note: WrittenNote) -> None:
        out = self.out
        length = self.ticks(note.duration_beat)
        out.append(f'<note id="{note.id}">')
        if note.grace:
            out.append('<grace slash="yes"/>' if note.grace_slash else "<grace/>")
        if note.chord:
            out.append("<chord/>")
        alter = f"<alter>{note.alter}</alter>" if note.alter else ""
        out.append(f"<pitch><step>{note.step}</step>{alter}<octave>{note.octave}</octave></pitch>")
        if not note.grace:
            out.append(f"<duration>{length}</duration>")
        if note.tie_stops:
            out.append('<tie type="stop"/>')
        if note.tie_starts:
            out.append('<tie type="start"/>')
        out.append(f"<voice>{note.voice}</voice><type>{note.value}</type>")
        out.append("<dot/>" * note.dots)
        if note.accidental:
            out.append(f"<accidental>{escape(note.accidental)}</accidental>")
        out.append(_ratio(note))
        if self.score.staves > 1:
            out.append(f"<staff>{note.staff}</staff>")
        out.extend(f'<beam number="{level}">{beam}</beam>' for level, beam in enumerate(note.beams, start=1))
        out.append(_notations(self._of_note(note)))
        out.append("</note>")
        if not note.chord:
            self.at += length

    def _of_note(self, note: WrittenNote) -> list[str]:
        found = []
        if note.tie_stops:
            found.append('<tied type="stop"/>')
        if note.tie_starts:
            found.append('<tied type="start"/>')
        found.extend(self.slurs.get(note.id, ()))
        if not note.chord:
            found.extend(_bracket(note))
        if note.ornaments:
            found.append("<ornaments>" + "".join(_ornament(name) for name in note.ornaments) + "</ornaments>")
        if note.finger is not None:
            found.append(f"<technical><fingering>{note.finger}</fingering></technical>")
        named = [name for name in note.articulations if name in _ARTICULATIONS]
        if named:
            found.append("<articulations>" + "".join(f"<{name}/>" for name in named) + "</articulations>")
        if "fermata" in note.articulations:
            found.append("<fermata/>")
        if note.arpeggio:
            found.append("<arpeggiate/>")
        return found


def _divisions(score: WrittenScore) -> int:
    beats = {bar.length_beat for bar in score.bars}
    for note in score.notes:
        beats |= {note.offset_beat, note.duration_beat}
    for rest in score.rests:
        beats |= {rest.offset_beat, rest.duration_beat}
    beats.update(mark.offset_beat for mark in score.marks)
    beats.update(clef.offset_beat for clef in score.clefs)
    beats.update(tempo.offset_beat for tempo in score.tempi)
    found = lcm(*(beat.denominator for beat in beats))
    for mark in score.marks:
        if mark.to_offset_beat is not None:
            found = lcm(found, mark.to_offset_beat.denominator)
    return found


def _by_bar(things: Iterable[WrittenNote] | Iterable[WrittenRest], count: int) -> list[list[WrittenNote | WrittenRest]]:
    found: list[list[WrittenNote | WrittenRest]] = [[] for _ in range(count)]
    for thing in things:
        found[thing.bar].append(thing)
    return found


def _flag(name: str) -> str:
    return f' {name}="yes"'


def _time(metre: Metre | None) -> str:
    if metre is None:
        return "<time><senza-misura/></time>"
    beats = "+".join(map(str, metre.groups)) if metre.groups else str(metre.beats)
    symbol = f' symbol="{metre.symbol}"' if metre.symbol else ""
    return f"<time{symbol}><beats>{beats}</beats><beat-type>{metre.beat_type}</beat-type></time>"


def _decimal(number: Fraction) -> str:
    """Return a number as a decimal that reads back equal where one exists, and else to nine places."""
    text = f"{float(number):.9f}".rstrip("0").rstrip(".")
    return text or "0"


def _ratio(thing: WrittenNote | WrittenRest) -> str:
    if thing.tuplet is None:
        return ""
    return (
        f"<time-modification><actual-notes>{thing.tuplet.actual}</actual-notes>"
        f"<normal-notes>{thing.tuplet.normal}</normal-notes></time-modification>"
    )


def _bracket(thing: WrittenNote | WrittenRest) -> list[str]:
    if thing.tuplet is None:
        return []
    found = []
    if thing.tuplet.starts:
        found.append('<tuplet type="start"/>')
    if thing.tuplet.stops:
        found.append('<tuplet type="stop"/>')
    return found


def _ornament(name: str) -> str:
    return f'<{name} type="single">3</{name}>' if name == "tremolo" else f"<{name}/>"


def _notations(inside: list[str]) -> str:
    text = "".join(inside)
    return f"<notations>{text}</notations>" if text else ""


def _harmony(text: str) -> str:
    """Return a chord symbol; what stands behind the root is kept as it is printed."""
    body, _, bass = text.partition("/")
    root, rest = body[:1], body[1:]
    alter = {"#": "1", "b": "-1"}.get(rest[:1])
    if alter is not None:
        rest = rest[1:]
    return (
        f"<harmony><root><root-step>{escape(root)}</root-step>"
        + (f"<root-alter>{alter}</root-alter>" if alter else "")
        + f"</root><kind text={quoteattr(rest)}>other</kind>"
        + _bass(bass)
        + "</harmony>"
    )


def _bass(bass: str) -> str:
    if not bass:
        return ""
    alter = {"#": "1", "b": "-1"}.get(bass[1:2])
    return (
        f"<bass><bass-step>{escape(bass[:1])}</bass-step>"
        + (f"<bass-alter>{alter}</bass-alter>" if alter else "")
        + "</bass>"
    )


def _numbered(marks: Iterable[Mark], notes: dict[str, WrittenNote]) -> dict[str, list[str]]:
    """Return, for each note, the ends of its slurs and glissandi, numbered so that those open at one time differ."""
    found: dict[str, list[tuple[int, str]]] = {}
    for kind, name in ((MarkKind.SLUR, "slur"), (MarkKind.GLISSANDO, "glissando"), (MarkKind.TRILL_LINE, "wavy-line")):
        busy: list[tuple[tuple[int, Fraction, int], int]] = []
        for mark in marks:
            if mark.kind != kind or mark.note not in notes or mark.to_note not in notes:
                continue
            start, end = _moment(notes[mark.note]), _moment(notes[mark.to_note])
            taken = {number for until, number in busy if until >= start}
            busy = [(until, number) for until, number in busy if until >= start]
            number = next(free for free in range(1, 99) if free not in taken)
            busy.append((end, number))
            for note_id, way, order in ((mark.note, "start", 1), (mark.to_note, "stop", 0)):
                text = f'<{name} number="{number}" type="{way}"/>'
                if name == "wavy-line":
                    text = f"<ornaments>{text}</ornaments>"
                found.setdefault(note_id, []).append((order, text))
    return {note_id: [text for _, text in sorted(ends)] for note_id, ends in found.items()}


def _moment(note: WrittenNote) -> tuple[int, Fraction, int]:
    return (note.bar, note.offset_beat, note.grace or 1000)


def _lines(marks: Iterable[Mark]) -> dict[int, list[tuple[Fraction, str]]]:
    """Return, for each bar, the ends of hairpins, pedals and octave lines as directions."""
    found: dict[int, list[tuple[Fraction, int, str]]] = {}
    busy: dict[str, list[tuple[tuple[int, Fraction], int]]] = {}
    for mark in marks:
        named = _LINES.get(mark.kind)
        if named is None or mark.to_bar is None or mark.to_offset_beat is None:
            continue
        name, start_type = named
        taken = busy.setdefault(name, [])
        here = (mark.bar, mark.offset_beat)
        number = next(free for free in range(1, 99) if all(until < here for until, other in taken if other == free))
        taken.append(((mark.to_bar, mark.to_offset_beat), number))
        size = ""
        if name == "octave-shift":
            size = f" size={quoteattr(mark.text or '8')}"
        staff = f"<staff>{mark.staff}</staff>" if mark.staff is not None else ""
        begin = "change" if name == "pedal" and mark.text == "change" else start_type
        for bar, at, way, order in (
            (mark.bar, mark.offset_beat, begin, 1),
            (mark.to_bar, mark.to_offset_beat, "stop", 0),
        ):
            text = f'<direction><direction-type><{name} type="{way}" number="{number}"{size}/></direction-type>{staff}</direction>'
            found.setdefault(bar, []).append((at, order, text))
    return {bar: [(at, text) for at, _, text in sorted(ends)] for bar, ends in found.items()}


_LINES = {
    MarkKind.CRESCENDO: ("wedge", "crescendo"),
    MarkKind.DIMINUENDO: ("wedge", "diminuendo"),
    MarkKind.PEDAL: ("pedal", "start"),
    MarkKind.OCTAVE_UP: ("octave-shift", "down"),
    MarkKind.OCTAVE_DOWN: ("octave-shift", "up"),
}
