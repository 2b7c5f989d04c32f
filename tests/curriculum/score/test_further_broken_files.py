"""Forty further broken or odd files, of other kinds than those next door: what is said of each, and where."""

import io
import struct
import warnings
import zipfile
from collections.abc import Callable

import pytest

from curriculum.score.errors import RefusalCode, ScoreError, WarningCode
from curriculum.score.playing import in_playing_order
from curriculum.score.reading import read_score
from tests.curriculum.score import midi_files as smf
from tests.curriculum.score.test_hostile_files import (
    HEAD,
    LIST,
    TWO_STAVES,
    barline,
    direction,
    first,
    measure,
    note,
    packed,
    plain,
    score,
    second,
)

GRACE = "<note><grace/>{}<pitch><step>D</step><octave>5</octave></pitch><voice>1</voice><staff>1</staff></note>"


def span(element: str, pitch: str = "C4", duration: str = "4") -> str:
    """Return a note with something among its notations."""
    return note(pitch, duration).replace("</note>", f"<notations>{element}</notations></note>")


def archive(*entries: tuple[str, str]) -> bytes:
    """Return an archive with entries in this order, which may have the same name."""
    target = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packing:
        warnings.simplefilter("ignore")
        for name, content in entries:
            packing.writestr(zipfile.ZipInfo(name), content)
    return target.getvalue()


def tune(body: str, *, head: str = "X:1\nT:Odd\nM:4/4\nL:1/4\nQ:1/4=90\nK:C\n") -> bytes:
    return (head + body).encode()


def raw_track(body: bytes) -> bytes:
    return b"MTrk" + len(body).to_bytes(4, "big") + body


PRESSED, LET_GO, OVER = b"\x00\x90\x3c\x40", b"\x83\x60\x80\x3c\x00", b"\x00\xff\x2f\x00"

REFUSED: dict[str, tuple[bytes, RefusalCode, str]] = {
    "a list of parts that is missing": (plain().replace(LIST, "").encode(), RefusalCode.PART_UNKNOWN, ""),
    "a part without an id": (plain().replace('<part id="P1">', "<part>").encode(), RefusalCode.PART_UNKNOWN, ""),
    "two parts of which one stops early": (
        score(first(note()), measure(note(), 2), measure(note(), 3), listed=LIST.replace("</part-list>", '<score-part id="P2"/></part-list>'))
        .replace("</score-partwise>", f'<part id="P2">{first(note())}{measure(note(), 2)}</part></score-partwise>')
        .encode(),
        RefusalCode.BARS_DIFFER,
        "bar 3",
    ),
    "a note inside of another": (second(note().replace("</note>", note() + "</note>")).encode(), RefusalCode.BAD_PITCH, "bar 2"),
    "a chord note behind a forward step": (
        second(note("C4", "4") + "<forward><duration>4</duration></forward>" + note("E4", "4", extra="<chord/>")).encode(),
        RefusalCode.CHORD_ALONE,
        "bar 2",
    ),
    "a chord that begins with a grace note and goes on with a full one": (
        second(GRACE.format("") + note("E4", extra="<chord/>")).encode(), RefusalCode.CHORD_ALONE, "bar 2",
    ),
    "a tuplet of five thousand": (
        second(note().replace("<staff>", "<time-modification><actual-notes>5000</actual-notes><normal-notes>2</normal-notes></time-modification><staff>")).encode(),
        RefusalCode.BAD_NUMBER,
        "bar 2",
    ),
    "a rest of a billion quarters": (second("<note><rest/><duration>2000000000</duration></note>").encode(), RefusalCode.BAD_NUMBER, "bar 2"),
    "a forward step without a length": (second("<forward/>" + note()).encode(), RefusalCode.BAD_NUMBER, "bar 2"),
    "a label that says UTF-16 on UTF-8": (plain().replace('"UTF-8"', '"UTF-16LE"').encode(), RefusalCode.BROKEN_XML, ""),
    "Latin-1 that is called UTF-8": (plain().replace("Piano", "Übung").encode("latin-1"), RefusalCode.BROKEN_XML, "line 2"),
    "an XML declaration behind a space and a letter": (b" x" + plain().encode(), RefusalCode.NOT_A_SCORE, ""),
    "drums for a whole band": (
        score(first("<note><unpitched/><duration>8</duration></note>").replace(TWO_STAVES, ""), measure("<note><unpitched/><duration>8</duration></note>", 2)).encode(),
        RefusalCode.UNPITCHED,
        "",
    ),
    "an archive whose container names a folder": (packed({"a.xml": plain()}, container="/"), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an archive whose container leads out of it": (packed({"a.xml": plain()}, container="../../../etc/passwd"), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an archive with its score in the middle cut out": (
        (whole := packed({"a.xml": plain()}))[:60] + whole[90:], RefusalCode.BROKEN_ZIP, "",
    ),
    "an archive with two scores under one name": (archive(("a.xml", plain()), ("a.xml", plain())), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "MIDI that counts in frames": (smf.file(raw_track(PRESSED + LET_GO + OVER), division=0xE728), RefusalCode.MIDI_CLOCK, ""),
    "MIDI of several songs": (smf.file(raw_track(PRESSED + LET_GO + OVER), kind=2), RefusalCode.BROKEN_MIDI, ""),
    "MIDI that runs on from nothing": (smf.file(raw_track(b"\x00\x3c\x40" + OVER)), RefusalCode.BROKEN_MIDI, ""),
    "MIDI with a wait of five bytes": (smf.file(raw_track(b"\xff\xff\xff\xff\x7f\x90\x3c\x40" + OVER)), RefusalCode.BROKEN_MIDI, ""),
    "MIDI that lets go of what was never pressed": (smf.file(raw_track(LET_GO + OVER)), RefusalCode.NO_NOTES, ""),
    "MIDI that ends in the length of its header": (b"MThd\x00\x00", RefusalCode.BROKEN_MIDI, ""),
    "a wave file in the clothes of MIDI": (b"RIFF" + struct.pack("<I", 40) + b"WAVEfmt " + bytes(28), RefusalCode.NOT_A_SCORE, ""),
    "a tune of an endless chord": (tune("[CEG|"), RefusalCode.TYPED_WRONG, "line 7"),
    "a tune with letters that are no notes": (tune("C D é F|"), RefusalCode.TYPED_WRONG, "line 7, column 5"),
}  # fmt: skip

DOUBTFUL: dict[str, tuple[bytes, WarningCode, str]] = {
    "a voice that goes back through the barline": (
        second(note("C4", "4") + "<backup><duration>6</duration></backup>" + note("C3", "8", staff="2") + note("D3", "2", staff="2")).encode(),
        WarningCode.BACK_TOO_FAR,
        "bar 2",
    ),
    "a second ending alone, without a repeat": (
        plain(measure(note() + barline('<ending number="2" type="stop"/>'), 2)).encode(), WarningCode.ENDING_UNMATCHED, "bar 2",
    ),
    "a slur that does not end": (second(span('<slur type="start" number="3"/>') + note("D4", "4")).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a slur that did not begin": (second(span('<slur type="stop" number="3"/>') + note("D4", "4")).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a hairpin that does not end": (second(direction('<wedge type="crescendo"/>') + note()).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a hairpin that did not begin": (second(note() + direction('<wedge type="stop"/>')).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "an octave line that does not end": (second(direction('<octave-shift type="down" size="8"/>') + note("C6")).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "an octave line that did not begin": (second(note() + direction('<octave-shift type="stop"/>')).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a pedal that is never lifted": (second(direction('<pedal type="start"/>') + note()).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a pedal that is lifted without being pressed": (second(note() + direction('<pedal type="stop"/>')).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a glissando that does not end": (second(span('<glissando type="start"/>') + note("D4", "4")).encode(), WarningCode.LINE_UNMATCHED, "bar 2"),
    "a tie that leads nowhere": (second(note("E4").replace("<voice>", '<tie type="start"/><voice>')).encode(), WarningCode.TIE_UNMATCHED, "bar 2"),
    "a tie to another pitch": (
        plain(measure(note("E4").replace("<voice>", '<tie type="start"/><voice>'), 2), measure(note("F4"), 3)).encode(), WarningCode.TIE_UNMATCHED, "bar 2",
    ),
    "D.C. in every bar": (
        plain(measure(direction("<words>D.C.</words>") + note(), 2), measure(direction("<words>D.C.</words>") + note(), 3)).encode(),
        WarningCode.JUMP_UNMATCHED,
        "bar 2",
    ),
    "a tempo beyond all speed": (second('<sound tempo="99999"/>' + note()).encode(), WarningCode.TEMPO_UNREADABLE, "bar 2"),
    "a tempo of nothing": (second('<sound tempo=""/>' + note()).encode(), WarningCode.TEMPO_UNREADABLE, "bar 2"),
    "five staves": (
        plain(measure(note(staff="5"), 2)).replace(TWO_STAVES, "<staves>5</staves>").encode(), WarningCode.MORE_STAVES, "",
    ),
    "a clarinet": (
        score(first(note()).replace(TWO_STAVES, "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>")).encode(),
        WarningCode.TRANSPOSING,
        "bar 1",
    ),
    "a small note in the middle of a chord": (
        second(note() + note("E4", extra="<cue/><chord/>")).encode(), WarningCode.CUE_LEFT_OUT, "bar 2",
    ),
    "a unit that is half of what was meant": (plain(measure(note(), 2)).replace("<divisions>2<", "<divisions>1<").encode(), WarningCode.BAR_LONG, "bars 1 and 2"),
    "MIDI that is cut off in a note": (smf.file(raw_track(PRESSED + LET_GO + PRESSED + b"\x83")), WarningCode.MIDI_CUT_SHORT, ""),
    "MIDI whose notes are never let go": (
        smf.file(raw_track(PRESSED + b"\x83\x60\x90\x40\x40" + b"\x83\x60\xff\x2f\x00")), WarningCode.NOTE_UNENDED, "",
    ),
    "MIDI that promises more tracks than it has": (smf.file(raw_track(PRESSED + LET_GO + OVER), kind=1, says=7), WarningCode.MIDI_CUT_SHORT, ""),
    "MIDI with a metre of 0": (
        smf.file(smf.track([*smf.notes([(0, 480, 60)]), smf.metre(0, 2)])), WarningCode.METRE_UNREADABLE, "",
    ),
    "a tune with a field that nobody knows": (tune("C D E F|", head="X:1\nT:Odd\nM:4/4\nL:1/4\nE:what\nQ:1/4=90\nK:C\n"), WarningCode.TYPED_LEFT_OUT, "line 5"),
    "a tune of which one bar is short": (tune("CDEF|CD|CDEF|"), WarningCode.BAR_SHORT, "line 7, column 6"),
}  # fmt: skip

# What looks broken, but says clearly what is meant: pitches in playing order.
SOUND: dict[str, tuple[bytes, list[int]]] = {
    "a chord on a grace note": (
        second(GRACE.format("") + GRACE.format("<chord/>").replace(">D<", ">F<") + note()).encode(), [60, 74, 77, 60],
    ),
    "ids of notes that are all the same": (second(note("C4", "4") + note("D4", "4")).replace("<note>", '<note id="same">').encode(), [60, 60, 62]),
    "a voice that begins with a forward step": (second("<forward><duration>4</duration></forward>" + note("D4", "4")).encode(), [60, 62]),
    "UTF-16 without a declaration": (plain().removeprefix(HEAD).encode("utf-16"), [60]),
    "an archive with a folder and a picture": (archive(("x/", ""), ("x/cover.png", "no"), ("x/s.musicxml", plain())), [60]),
    "MIDI in a wrapping": (
        b"RIFF" + struct.pack("<I", len(inner := smf.file(raw_track(PRESSED + LET_GO + OVER))) + 12) + b"RMIDdata" + struct.pack("<I", len(inner)) + inner,
        [60],
    ),
    "MIDI with a chunk that nobody knows": (smf.file(b"XFIH\x00\x00\x00\x02ab", raw_track(PRESSED + LET_GO + OVER), says=1, kind=0), [60]),
    "MIDI with text behind its end": (smf.file(raw_track(PRESSED + LET_GO + OVER)) + b"thank you", [60]),
    "a trill line over one note": (second(span('<ornaments><trill-mark/><wavy-line type="start"/><wavy-line type="stop"/></ornaments>', duration="8")).encode(), [60, 60]),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_further_broken_file_is_refused_with_its_cause_and_place(name: str) -> None:
    data, code, place = REFUSED[name]
    with pytest.raises(ScoreError) as caught:
        in_playing_order(read_score(data))
    assert caught.value.code is code
    assert place in caught.value.where


@pytest.mark.parametrize("name", DOUBTFUL)
def test_further_doubtful_file_is_read_with_a_warning_and_its_place(name: str) -> None:
    data, code, place = DOUBTFUL[name]
    found = read_score(data)
    doubts = [warning for warning in found.warnings if warning.code is code]
    assert doubts, [warning.code for warning in found.warnings]
    assert place in doubts[0].where
    assert in_playing_order(found)


@pytest.mark.parametrize("name", SOUND)
def test_further_odd_file_is_read_as_it_is_meant(name: str) -> None:
    data, pitches = SOUND[name]
    found = read_score(data)
    assert [due.pitch_midi for due in in_playing_order(found)] == pitches
    assert WarningCode.LINE_UNMATCHED not in {warning.code for warning in found.warnings}


LINES: dict[str, Callable[[str], str]] = {
    "slur": lambda way: span(f'<slur type="{way}"/>', "E4", "2"),
    "hairpin": lambda way: direction(f'<wedge type="{"crescendo" if way == "start" else way}"/>') + note("E4", "2"),
    "pedal": lambda way: direction(f'<pedal type="{way}"/>') + note("E4", "2"),
    "octave line": lambda way: (
        direction(f'<octave-shift type="{"down" if way == "start" else way}"/>') + note("E4", "2")
    ),
    "glissando": lambda way: span(f'<glissando type="{way}"/>', "E4", "2"),
}


@pytest.mark.parametrize("line", LINES)
def test_line_with_both_ends_is_kept_and_one_that_begins_twice_is_named(line: str) -> None:
    draw = LINES[line]
    whole = read_score(second(draw("start") + draw("stop") + note("C4", "4")).encode())
    assert len(whole.marks) == 1
    assert not whole.warnings
    twice = read_score(
        plain(
            measure(draw("start") + note("C4", "6"), 2), measure(draw("start") + draw("stop") + note("C4", "4"), 3)
        ).encode()
    )
    assert [mark.bar for mark in twice.marks] == [2]
    (warning,) = twice.warnings
    assert (warning.code, warning.where) == (WarningCode.LINE_UNMATCHED, "bar 2")
    assert "does not end" in warning.text


def test_slurs_of_two_voices_under_one_number_keep_to_their_voices() -> None:
    upper = span('<slur type="start"/>', "G4") + span('<slur type="stop"/>', "A4")
    lower = span('<slur type="start"/>', "C3") + span('<slur type="stop"/>', "D3")
    lower = lower.replace("<voice>1", "<voice>5").replace("<staff>1", "<staff>2")
    found = read_score(second(upper + "<backup><duration>8</duration></backup>" + lower).encode())
    assert sorted((mark.staff, mark.to_note) for mark in found.marks) == [(1, "b1n2"), (2, "b1n4")]
    assert not found.warnings


def test_forty_kinds_and_more_are_tried() -> None:
    assert len(REFUSED) + len(DOUBTFUL) + len(SOUND) >= 40
