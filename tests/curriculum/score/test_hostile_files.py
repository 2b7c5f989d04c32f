"""Broken and hostile score files: each is refused, or read with a warning, for the right reason and with its place."""

import gc
import gzip
import io
import random
import struct
import zipfile
from collections.abc import Callable
from fractions import Fraction

import pytest

from curriculum.score.demands.finding import demands_of
from curriculum.score.errors import RefusalCode, ScoreError, WarningCode
from curriculum.score.musicxml import read_musicxml, write_musicxml
from curriculum.score.notes import WrittenScore
from curriculum.score.playing import in_playing_order
from curriculum.score.reading import read_score

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
LIST = '<part-list><score-part id="P1"><part-name>Piano</part-name></score-part></part-list>'
TWO_STAVES = "<staves>2</staves>"
ATTRIBUTES = (
    "<attributes><divisions>2</divisions><key><fifths>0</fifths></key>"
    f"<time><beats>4</beats><beat-type>4</beat-type></time>{TWO_STAVES}</attributes>"
)
TEMPO = '<sound tempo="90"/>'


def note(pitch: str = "C4", duration: str = "8", *, extra: str = "", staff: str = "1", value: str = "") -> str:
    """Return one note; `extra` goes in front of the pitch, as <chord/> does."""
    kind = f"<type>{value}</type>" if value else ""
    return (
        f"<note>{extra}<pitch><step>{pitch[0]}</step><octave>{pitch[1:]}</octave></pitch>"
        f"<duration>{duration}</duration><voice>{staff}</voice>{kind}<staff>{staff}</staff></note>"
    )


def measure(content: str, number: int = 1, **attributes: str) -> str:
    more = "".join(f' {name}="{value}"' for name, value in attributes.items())
    return f'<measure number="{number}"{more}>{content}</measure>'


def score(*measures: str, listed: str = LIST, part: str = "P1") -> str:
    return f'{HEAD}<score-partwise version="4.0">{listed}<part id="{part}">{"".join(measures)}</part></score-partwise>'


def first(content: str, **attributes: str) -> str:
    return measure(ATTRIBUTES + TEMPO + content, 1, **attributes)


def plain(*further: str) -> str:
    """Return a sound score: bar 1 with one whole note, then what is given."""
    return score(first(note()), *further)


def second(content: str) -> str:
    """Return a score whose second bar holds something odd."""
    return plain(measure(content, 2))


def packed(entries: dict[str, str | bytes], *, method: int = zipfile.ZIP_DEFLATED, container: str = "") -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", method) as archive:
        if container:
            archive.writestr(
                "META-INF/container.xml",
                f'<container><rootfiles><rootfile full-path="{container}"/></rootfiles></container>',
            )
        for name, content in entries.items():
            archive.writestr(name, content)
    return target.getvalue()


def with_flag(data: bytes, *, bits: int) -> bytes:
    """Set flag bits of every entry of an archive, as a protected one has them."""
    changed = bytearray(data)
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            changed[at + place] |= bits
            at = data.find(mark, at + 1)
    return bytes(changed)


def with_method(data: bytes, *, method: int) -> bytes:
    changed = bytearray(data)
    for mark, place in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        at = data.find(mark)
        while at >= 0:
            changed[at + place : at + place + 2] = struct.pack("<H", method)
            at = data.find(mark, at + 1)
    return bytes(changed)


def lying_about_size(content: bytes) -> bytes:
    """Return an archive whose directory calls a huge entry small."""
    data = bytearray(packed({"score.xml": content}))
    for mark, place in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = data.find(mark)
        data[at + place : at + place + 4] = struct.pack("<I", 500)
    return bytes(data)


BOMB = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in zip("abcdefgh", "bcdefghi", strict=True))
    + "]>"
)

# name: (bytes, code, what the place contains)
REFUSED: dict[str, tuple[bytes | str, RefusalCode, str]] = {
    # not a score at all
    "nothing": (b"", RefusalCode.EMPTY, ""),
    "only spaces": (b" \r\n\t \n", RefusalCode.EMPTY, ""),
    "only zeros": (bytes(5000), RefusalCode.EMPTY, ""),
    "only a byte order mark": (b"\xef\xbb\xbf", RefusalCode.NOT_A_SCORE, ""),
    "a web page": (b"<!DOCTYPE html><html><body><p>Not here</p></body></html>", RefusalCode.NOT_A_SCORE, ""),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), RefusalCode.NOT_A_SCORE, ""),
    "a document": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", RefusalCode.NOT_A_SCORE, ""),
    "prose": (b"Dear teacher,\nthe score follows.\n", RefusalCode.NOT_A_SCORE, ""),
    "random bytes": (random.Random(4).randbytes(4000), RefusalCode.NOT_A_SCORE, ""),
    "a gzipped score": (gzip.compress(plain().encode()), RefusalCode.NOT_A_SCORE, ""),
    "a drawing in XML": ('<svg xmlns="http://www.w3.org/2000/svg"/>', RefusalCode.NOT_A_SCORE, ""),
    "a collection of scores": ('<opus version="4.0"><title>All</title></opus>', RefusalCode.NOT_A_SCORE, ""),
    # XML
    "cut off in a note": (plain(measure(note(), 2))[:-90], RefusalCode.BROKEN_XML, "line"),
    "cut off in the first line": ("<?xml version", RefusalCode.BROKEN_XML, "line 1"),
    "crossed tags": (score("<measure><note></measure></note>"), RefusalCode.BROKEN_XML, "line 2"),
    "two roots": (plain() + "<again/>", RefusalCode.BROKEN_XML, "line 2"),
    "text behind the end": (plain() + "and more", RefusalCode.BROKEN_XML, "line 2"),
    "an attribute twice": (plain().replace('version="4.0"', 'version="4.0" version="3.1"'), RefusalCode.BROKEN_XML, "line 2"),
    "an unknown entity": (plain().replace("Piano", "&piano;"), RefusalCode.BROKEN_XML, "line 2"),
    "a forbidden character": (plain().replace("Piano", "Pi\x01ano"), RefusalCode.BROKEN_XML, "line 2"),
    "bytes that are no text": (plain().encode().replace(b"Piano", b"Pi\xffano"), RefusalCode.BROKEN_XML, "line 2"),
    "an unknown encoding": (plain().replace("UTF-8", "klingon"), RefusalCode.BROKEN_XML, ""),
    "UTF-16 that is none": (plain().replace("UTF-8", "UTF-16"), RefusalCode.BROKEN_XML, ""),
    "UTF-16 cut off": (plain().replace("UTF-8", "UTF-16").encode("utf-16")[:-41], RefusalCode.BROKEN_XML, "line"),
    "an entity bomb": (plain().replace("<score-partwise", BOMB + "<score-partwise").replace("Piano", "&i;"), RefusalCode.ENTITIES, ""),
    "an entity that reads a file": (
        plain().replace("<score-partwise", '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hosts">]><score-partwise').replace("Piano", "&e;"),
        RefusalCode.ENTITIES,
        "",
    ),
    "a parameter entity": (
        plain().replace("<score-partwise", '<!DOCTYPE x [<!ENTITY % e SYSTEM "http://127.0.0.1:9/x">%e;]><score-partwise'),
        RefusalCode.ENTITIES,
        "",
    ),
    "an entity that is not used": (
        plain().replace("<score-partwise", '<!DOCTYPE x [<!ENTITY e "x">]><score-partwise'), RefusalCode.ENTITIES, "",
    ),
    "attributes that every note gets without having them": (
        plain().replace("<score-partwise", '<!DOCTYPE x [<!ATTLIST note extra CDATA "x">]><score-partwise'), RefusalCode.ENTITIES, "",
    ),
    "nested 300,000 deep": ("<a>" * 300_000 + "</a>" * 300_000, RefusalCode.TOO_DEEP, ""),
    "nested 41 deep": (plain().replace("<staves>", "<x>" * 41 + "</x>" * 41 + "<staves>"), RefusalCode.TOO_DEEP, ""),
    "a million elements": ("<a>" + "<b/>" * 1_000_000 + "</a>", RefusalCode.TOO_MANY, ""),
    "50,000 notes": (score(first(note(duration="1") * 50_000)), RefusalCode.TOO_MANY, ""),
    "40,001 notes in UTF-16": (
        score(first("<note><rest/><duration>1</duration></note>" * 40_001)).replace("UTF-8", "UTF-16").encode("utf-16"),
        RefusalCode.TOO_MANY,
        "",
    ),
    "4,001 bars": (score(first(note()), *(measure(note(), number) for number in range(2, 4_002))), RefusalCode.TOO_MANY, ""),
    "nine megabytes of comment": (plain() + f"<!--{' ' * 9_000_000}-->", RefusalCode.TOO_LARGE, ""),
    # archives
    "an archive that unpacks to 100 MB": (packed({"a.xml": bytes(100_000_000)}), RefusalCode.TOO_LARGE, ""),
    "an archive that packs 400 to 1": (packed({"a.xml": b" " * 4_000_000 + plain().encode()}), RefusalCode.TOO_LARGE, ""),
    "an archive that lies about its size": (lying_about_size(bytes(9_000_000)), RefusalCode.BROKEN_ZIP, ""),
    "an archive without a score": (packed({"readme.txt": "x"}), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an empty archive": (packed({}), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an archive of two scores": (packed({"a.xml": plain(), "b.xml": plain()}), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an archive that names what is not in it": (packed({"a.xml": plain()}, container="b.xml"), RefusalCode.ZIP_WITHOUT_SCORE, ""),
    "an archive in an archive": (packed({"a.xml": packed({"a.xml": plain()})}), RefusalCode.NOT_A_SCORE, ""),
    "an archive of a web page": (packed({"a.xml": "<html/>"}, container="a.xml"), RefusalCode.NOT_A_SCORE, ""),
    "an archive of 65 files": (packed({f"{place}.txt": "x" for place in range(65)} | {"a.xml": plain()}), RefusalCode.TOO_MANY, ""),
    "an archive cut off": (packed({"a.xml": plain()})[:-30], RefusalCode.BROKEN_ZIP, ""),
    "the first half of an archive": (packed({"a.xml": plain()})[:200], RefusalCode.BROKEN_ZIP, ""),
    "a protected archive": (with_flag(packed({"a.xml": plain()}), bits=1), RefusalCode.BROKEN_ZIP, ""),
    "an unknown packing": (with_method(packed({"a.xml": plain()}), method=77), RefusalCode.BROKEN_ZIP, ""),
    "a packing that it is not": (with_method(packed({"a.xml": plain()}), method=14), RefusalCode.BROKEN_ZIP, ""),
    "a wrong checksum": (
        packed({"a.xml": plain()}, method=zipfile.ZIP_STORED).replace(b"<octave>4", b"<octave>5", 1), RefusalCode.BROKEN_ZIP, "",
    ),
    "a container with entities": (
        packed({"META-INF/container.xml": BOMB + "<container/>", "a.xml": plain()}), RefusalCode.ENTITIES, "",
    ),
    "a broken container": (packed({"META-INF/container.xml": "<container>", "a.xml": plain()}), RefusalCode.BROKEN_XML, "line"),
    "only PK": (b"PK", RefusalCode.BROKEN_ZIP, ""),
    # parts and bars
    "no parts": (f'{HEAD}<score-partwise>{LIST}</score-partwise>', RefusalCode.NO_PARTS, ""),
    "an empty root": ("<score-partwise/>", RefusalCode.NO_PARTS, ""),
    "an empty timewise root": ("<score-timewise/>", RefusalCode.NO_PARTS, ""),
    "a part that is not listed": (score(first(note()), part="P2"), RefusalCode.PART_UNKNOWN, ""),
    "a part twice": (
        plain().replace("</score-partwise>", f'<part id="P1">{first(note())}</part></score-partwise>'), RefusalCode.PART_UNKNOWN, "",
    ),
    "parts of different lengths": (
        score(first(note()), measure(note(), 2), listed='<part-list><score-part id="P1"/><score-part id="P2"/></part-list>').replace(
            "</score-partwise>", f'<part id="P2">{first(note())}</part></score-partwise>'
        ),
        RefusalCode.BARS_DIFFER,
        "bar 2",
    ),
    "no bars": (score(), RefusalCode.NO_NOTES, ""),
    "only rests": (score(first("<note><rest/><duration>8</duration></note>")), RefusalCode.NO_NOTES, ""),
    "only drums": (
        score(first("<note><unpitched/><duration>8</duration></note>")), RefusalCode.UNPITCHED, "",
    ),
    "three parts of which none is the piano": (
        score(
            first(note()).replace(TWO_STAVES, ""),
            listed="<part-list>" + "".join(f'<score-part id="P{n}"><part-name>Voice {n}</part-name></score-part>' for n in (1, 2, 3)) + "</part-list>",
        ).replace(
            "</score-partwise>",
            "".join(f'<part id="P{n}">{first(note()).replace(TWO_STAVES, "")}</part>' for n in (2, 3)) + "</score-partwise>",
        ),
        RefusalCode.WHICH_PART,
        "",
    ),
    # lengths
    "no unit of length": (plain().replace("<divisions>2</divisions>", ""), RefusalCode.NO_DIVISIONS, "bar 1"),
    "a unit of 0": (plain().replace("<divisions>2<", "<divisions>0<"), RefusalCode.BAD_NUMBER, "bar 1"),
    "a unit below 0": (plain().replace("<divisions>2<", "<divisions>-2<"), RefusalCode.BAD_NUMBER, "bar 1"),
    "a unit in words": (plain().replace("<divisions>2<", "<divisions>two<"), RefusalCode.BAD_NUMBER, "bar 1"),
    "a unit without a number": (plain().replace("<divisions>2<", "<divisions><"), RefusalCode.BAD_NUMBER, "bar 1"),
    "a unit beyond everything": (plain().replace("<divisions>2<", "<divisions>99999999999<"), RefusalCode.BAD_NUMBER, "bar 1"),
    "units that have no common one": (
        score(*(first(note()).replace("<divisions>2<", f"<divisions>{prime}<") for prime in (9973, 9967, 9949))), RefusalCode.BAD_NUMBER, "bar",
    ),
    "no length": (second(note().replace("<duration>8</duration>", "")), RefusalCode.NO_DURATION, "bar 2"),
    "a length of 0": (second(note(duration="0")), RefusalCode.NO_DURATION, "bar 2"),
    "a length below 0": (second(note(duration="-2")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length without a number": (second(note(duration="")), RefusalCode.NO_DURATION, "bar 2"),
    "a length that is no number": (second(note(duration="NaN")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length without end": (second(note(duration="inf")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length of a power of ten": (second(note(duration="1e999999999")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length as a fraction": (second(note(duration="1/3")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length between the units": (second(note(duration="1.3")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length of a year": (second(note(duration="99999999")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a length of 5,000 digits": (second(note(duration="9" * 5000)), RefusalCode.BAD_NUMBER, "bar 2"),
    "going back by nothing": (second(note() + "<backup/>" + note()), RefusalCode.BAD_NUMBER, "bar 2"),
    "going back below 0": (second(note() + "<backup><duration>-8</duration></backup>"), RefusalCode.BAD_NUMBER, "bar 2"),
    "a tuplet of 0": (
        second(note(extra="", duration="8").replace("<staff>", "<time-modification><actual-notes>0</actual-notes><normal-notes>2</normal-notes></time-modification><staff>")),
        RefusalCode.BAD_NUMBER,
        "bar 2",
    ),
    "a tuplet without numbers": (second(note().replace("<staff>", "<time-modification/><staff>")), RefusalCode.BAD_NUMBER, "bar 2"),
    "six dots": (second(note(value="half").replace("<staff>", "<dot/>" * 6 + "<staff>")), RefusalCode.BAD_NUMBER, "bar 2"),
    # pitches and places
    "the letter H": (second(note("H4")), RefusalCode.BAD_PITCH, "bar 2"),
    "a small letter": (second(note("c4")), RefusalCode.BAD_PITCH, "bar 2"),
    "no letter": (second(note().replace("<step>C</step>", "")), RefusalCode.BAD_PITCH, "bar 2"),
    "octave 99": (second(note("C99")), RefusalCode.BAD_PITCH, "bar 2"),
    "octave -1": (second(note("C-1")), RefusalCode.BAD_PITCH, "bar 2"),
    "no octave": (second(note("C")), RefusalCode.BAD_PITCH, "bar 2"),
    "altered by 3": (second(note().replace("<octave>", "<alter>3</alter><octave>")), RefusalCode.BAD_PITCH, "bar 2"),
    "altered by a word": (second(note().replace("<octave>", "<alter>sharp</alter><octave>")), RefusalCode.BAD_PITCH, "bar 2"),
    "altered by a power of ten": (second(note().replace("<octave>", "<alter>1e99999999</alter><octave>")), RefusalCode.BAD_PITCH, "bar 2"),
    "both a pitch and a rest": (second(note(extra="<rest/>")), RefusalCode.BAD_PITCH, "bar 2"),
    "two pitches": (second(note(extra="<pitch><step>C</step><octave>4</octave></pitch>")), RefusalCode.BAD_PITCH, "bar 2"),
    "two lengths": (second(note(extra="<duration>4</duration>")), RefusalCode.BAD_NUMBER, "bar 2"),
    "neither pitch nor rest": (second("<note><duration>8</duration></note>"), RefusalCode.BAD_PITCH, "bar 2"),
    "a chord note alone": (second(note(extra="<chord/>")), RefusalCode.CHORD_ALONE, "bar 2"),
    "a chord note behind going back": (
        second(note() + "<backup><duration>8</duration></backup>" + note("E4", extra="<chord/>")), RefusalCode.CHORD_ALONE, "bar 2",
    ),
    "staff 0": (second(note(staff="0")), RefusalCode.BAD_NUMBER, "bar 2"),
    "staff 99": (second(note(staff="99")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a staff in words": (second(note(staff="left")), RefusalCode.BAD_NUMBER, "bar 2"),
    "a repeat without end": (
        plain(measure(note() + '<barline location="right"><repeat direction="backward" times="99999"/></barline>', 2)), RefusalCode.ENDLESS_REPEAT, "bar",
    ),
    "repeats of 30,000 notes each": (
        plain(measure(note(duration="1") * 30_000 + '<barline location="right"><repeat direction="backward" times="9"/></barline>', 2)),
        RefusalCode.ENDLESS_REPEAT,
        "",
    ),
    "damage in the last of many bars": (
        score(first(note()), *(measure(note(), number) for number in range(2, 300)), measure(note("X4"), 300)), RefusalCode.BAD_PITCH, "bar 300",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_broken_file_is_refused_with_its_cause_and_place(name: str) -> None:
    data, code, place = REFUSED[name]
    with pytest.raises(ScoreError) as caught:
        in_playing_order(read_score(data.encode() if isinstance(data, str) else data))
    assert caught.value.code is code
    assert place in caught.value.where
    assert str(caught.value)[:1].isupper()
    assert len(str(caught.value)) < 500


def test_endless_repeats_are_refused_before_the_notes_are_written_down() -> None:
    with pytest.raises(ScoreError) as caught:
        read_musicxml(str(REFUSED["a repeat without end"][0]).encode())
    assert caught.value.code is RefusalCode.ENDLESS_REPEAT


def test_collector_is_on_again_after_a_refusal() -> None:
    with pytest.raises(ScoreError):
        read_musicxml(b"<score-partwise/>")
    assert gc.isenabled()


def direction(content: str) -> str:
    return f"<direction><direction-type>{content}</direction-type></direction>"


def barline(content: str, location: str = "right") -> str:
    return f'<barline location="{location}">{content}</barline>'


TUPLET_NOTE = note("C4", "8", value="half")

# name: (text, code, what the place contains)
DOUBTFUL: dict[str, tuple[str, WarningCode, str]] = {
    "a short bar": (plain(measure(note(duration="4"), 2), measure(note(), 3)), WarningCode.BAR_SHORT, "bar 2"),
    "an overfull bar": (second(note() + note(duration="2")), WarningCode.BAR_LONG, "bar 2"),
    "going back too far": (second(note() + "<backup><duration>20</duration></backup>" + note(staff="2")), WarningCode.BACK_TOO_FAR, "bar 2"),
    "no tempo": (plain().replace(TEMPO, ""), WarningCode.TEMPO_MISSING, "bar 1"),
    "a tempo only later": (plain(measure(TEMPO + note(), 2)).replace(TEMPO, "", 1), WarningCode.TEMPO_MISSING, "bar 1"),
    "a metronome in words": (
        second(direction("<metronome><beat-unit>quarter</beat-unit><per-minute>fast</per-minute></metronome>") + note()),
        WarningCode.TEMPO_UNREADABLE, "bar 2",
    ),
    "a metronome of 0": (
        second(direction("<metronome><beat-unit>quarter</beat-unit><per-minute>0</per-minute></metronome>") + note()),
        WarningCode.TEMPO_UNREADABLE, "bar 2",
    ),
    "a tempo of a power of ten": (second('<sound tempo="1e9999999"/>' + note()), WarningCode.TEMPO_UNREADABLE, "bar 2"),
    "a tempo below 0": (second('<sound tempo="-90"/>' + note()), WarningCode.TEMPO_UNREADABLE, "bar 2"),
    "a repeat that is not closed": (
        plain(measure(barline('<repeat direction="forward"/>', "left") + note(), 2)), WarningCode.REPEAT_UNMATCHED, "bar 2",
    ),
    "an ending that only stops": (second(note() + barline('<ending number="1" type="stop"/>')), WarningCode.ENDING_UNMATCHED, "bar 2"),
    "an ending without a number": (
        second(barline('<ending number="x" type="start"/>', "left") + note() + barline('<ending number="x" type="stop"/>')),
        WarningCode.ENDING_UNMATCHED, "bar 2",
    ),
    "an ending of 5,000 digits": (
        second(barline(f'<ending number="{"9" * 5000}" type="start"/>', "left") + note() + barline('<ending number="1" type="stop"/>')),
        WarningCode.ENDING_UNMATCHED, "bar 2",
    ),
    "D.S. without a sign": (second(direction("<words>D.S. al Fine</words>") + note()), WarningCode.JUMP_UNMATCHED, "bar 2"),
    "a coda without a way to it": (second(direction("<words>To Coda</words>") + note()), WarningCode.JUMP_UNMATCHED, "bar 2"),
    "D.C. in the middle without an end": (
        plain(measure(direction("<words>D.C.</words>") + note(), 2), measure(note(), 3)), WarningCode.JUMP_UNMATCHED, "bar 2",
    ),
    "a tie from nowhere": (second(note("E4", extra="").replace("<voice>", '<tie type="stop"/><voice>')), WarningCode.TIE_UNMATCHED, "bar 2"),
    "a transposing instrument": (
        plain().replace(TWO_STAVES, TWO_STAVES + "<transpose><chromatic>-2</chromatic></transpose>"), WarningCode.TRANSPOSING, "bar 1",
    ),
    "a drum stroke among notes": (second(note(duration="4") + "<note><unpitched/><duration>4</duration></note>"), WarningCode.UNPITCHED_LEFT_OUT, "bar 2"),
    "a quarter tone": (second(note().replace("<octave>", "<alter>0.5</alter><octave>")), WarningCode.MICROTONE, "bar 2"),
    "one staff": (plain().replace(TWO_STAVES, ""), WarningCode.WHICH_HAND, ""),
    "three staves": (plain(measure(note(staff="3"), 2)), WarningCode.MORE_STAVES, ""),
    "a stretch of two octaves": (second(note() + note("C6", extra="<chord/>")), WarningCode.HAND_DOUBTFUL, "bar 2"),
    "a key of 12 sharps": (plain().replace("<fifths>0<", "<fifths>12<"), WarningCode.KEY_UNREADABLE, "bar 1"),
    "a key in words": (plain().replace("<fifths>0<", "<fifths>C<"), WarningCode.KEY_UNREADABLE, "bar 1"),
    "a metre of 0": (plain().replace("<beats>4<", "<beats>0<"), WarningCode.METRE_UNREADABLE, "bar 1"),
    "a metre of fifths": (plain().replace("<beat-type>4<", "<beat-type>5<"), WarningCode.METRE_UNREADABLE, "bar 1"),
    "no metre": (plain().replace("<time><beats>4</beats><beat-type>4</beat-type></time>", ""), WarningCode.METRE_MISSING, "bar 1"),
    "small notes": (second(note() + note(extra="<cue/>")), WarningCode.CUE_LEFT_OUT, "bar 2"),
    "a note that is not printed": (second(note().replace("<note>", '<note print-object="no">')), WarningCode.HIDDEN_NOTE, "bar 2"),
    "a note above the keys": (second(note("C9")), WarningCode.BEYOND_PIANO, "bar 2"),
    "a note below the keys": (second(note("C0")), WarningCode.BEYOND_PIANO, "bar 2"),
    "a length that is printed otherwise": (second(note(value="quarter")), WarningCode.VALUE_DIFFERS, "bar 2"),
    "a printed sharp that is not to be played": (
        second(note().replace("<staff>", "<accidental>sharp</accidental><staff>")), WarningCode.ACCIDENTAL_DIFFERS, "bar 2",
    ),
    "a sixth finger": (
        second(note().replace("<staff>", "<staff>").replace("</note>", "<notations><technical><fingering>6</fingering></technical></notations></note>")),
        WarningCode.FINGER_UNREADABLE, "bar 2",
    ),
    "a voice beside the piano": (
        score(first(note()), listed='<part-list><score-part id="P1"/><score-part id="P2"><part-name>Voice</part-name></score-part></part-list>').replace(
            "</score-partwise>", f'<part id="P2">{first(note()).replace(TWO_STAVES, "")}</part></score-partwise>'
        ),
        WarningCode.PART_LEFT_OUT, "",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DOUBTFUL)
def test_doubtful_file_is_read_with_a_warning_and_its_place(name: str) -> None:
    text, code, place = DOUBTFUL[name]
    found = read_score(text.encode())
    warnings = [warning for warning in found.warnings if warning.code is code]
    assert warnings, [warning.code for warning in found.warnings]
    assert place in warnings[0].where
    assert found.notes


# name: bytes that must read as two bars of one whole note each, though they look odd.
ODD_BUT_SOUND: dict[str, bytes] = {
    "a document type that nobody answers for": plain(measure(note(), 2))
    .replace("<score-partwise", '<!DOCTYPE score-partwise SYSTEM "http://192.0.2.1/partwise.dtd"><score-partwise', 1)
    .encode(),
    "a byte order mark": b"\xef\xbb\xbf" + plain(measure(note(), 2)).encode(),
    "UTF-16": plain(measure(note(), 2)).replace("UTF-8", "UTF-16").encode("utf-16"),
    "Latin-1": plain(measure(note(), 2)).replace("UTF-8", "ISO-8859-1").replace("Piano", "Klavier für zwei").encode("latin-1"),
    "spaces in front of it": b"\n\n  " + plain(measure(note(), 2)).removeprefix(HEAD).encode(),
    "a namespace": plain(measure(note(), 2)).replace("<score-partwise", '<score-partwise xmlns="http://example.org/m"').encode(),
    "a namespace with a prefix": plain(measure(note(), 2))
    .removeprefix(HEAD)
    .replace("</", "</m:")
    .replace("<", "<m:")
    .replace("<m:/m:", "</m:")
    .replace("<m:score-partwise", '<m:score-partwise xmlns:m="http://example.org/m"')
    .encode(),
    "comments inside of texts": plain(measure(note(), 2)).replace("<step>C", "<!-- here --><step><!-- a -->C<!-- b -->").encode(),
    "quoted text": plain(measure(note(), 2)).replace("<step>C<", "<step><![CDATA[C]]><").encode(),
    "spaces around numbers": plain(measure(note(), 2)).replace("<duration>8<", "<duration>\n 8 \t<").encode(),
    "lengths with a decimal point": plain(measure(note(), 2)).replace("<duration>8<", "<duration>8.00<").encode(),
    "processing instructions": plain(measure(note(), 2)).replace("<part ", "<?run me?><part ").encode(),
    "packed": packed({"x/score.xml": plain(measure(note(), 2))}, container="x/score.xml"),
    "packed without a container": packed({"score.xml": plain(measure(note(), 2)), "readme.txt": "x"}),
    "packed with a name that leads out": packed({"../../score.xml": plain(measure(note(), 2))}),
    "packed without packing": packed({"score.xml": plain(measure(note(), 2))}, method=zipfile.ZIP_STORED),
    "elements that nobody knows": plain(measure("<hologram><x/></hologram>" + note(), 2)).encode(),
    "an offset that is no number": plain(
        measure("<direction><direction-type><words>so</words></direction-type><offset>--5</offset></direction>" + note(), 2)
    ).encode(),
    "bars by parts": (
        f"{HEAD}<score-timewise>{LIST}"
        + "".join(
            f'<measure number="{number}"><part id="P1">{content}{note()}</part></measure>'
            for number, content in ((1, ATTRIBUTES + TEMPO), (2, ""))
        )
        + "</score-timewise>"
    ).encode(),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD_BUT_SOUND)
def test_odd_but_sound_file_is_read_in_full(name: str) -> None:
    found = read_score(ODD_BUT_SOUND[name])
    assert [(head.bar, head.pitch_midi, head.duration_beat) for head in found.notes] == [(0, 60, 4), (1, 60, 4)]
    assert not found.warnings


def test_nothing_of_the_file_gets_into_ids_and_markup_is_written_as_text() -> None:
    hostile = '"><script>alert(1)</script>'
    text = (
        plain(measure(direction("<words>&lt;script&gt;x&lt;/script&gt;</words>") + note(), 2))
        .replace("<note>", "<note id='\"&gt;&lt;script&gt;'>")
        .replace("<part-list>", "<work><work-title>&lt;script&gt;</work-title></work><part-list>")
    )
    found = read_score(text.encode(), name=hostile)
    assert [head.id for head in found.notes] == ["b0n1", "b1n1"]
    written = write_musicxml(found)
    assert b"<script" not in written
    assert read_musicxml(written) == found


def test_chord_of_one_pitch_and_bars_without_notes_are_kept() -> None:
    found = read_score(plain(measure("", 2), measure(note() + note(extra="<chord/>"), 3)).encode())
    assert [bar.length_beat for bar in found.bars] == [4, 4, 4]
    assert [head.bar for head in found.notes] == [0, 2, 2]


def test_two_first_endings_in_a_row_do_not_lead_astray() -> None:
    bracket = barline('<ending number="1" type="start"/>', "left")
    back = barline('<ending number="1" type="stop"/><repeat direction="backward"/>')
    found = read_score(plain(measure(bracket + note() + back, 2), measure(bracket + note() + back, 3)).encode())
    assert len(in_playing_order(found)) < 10


MUTATIONS: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "a byte is changed": lambda data, chance: (
        data[: (at := chance.randrange(len(data)))] + bytes([chance.randrange(256)]) + data[at + 1 :]
    ),
    "a piece is missing": lambda data, chance: (
        data[: (at := chance.randrange(len(data)))] + data[at + chance.randrange(1, 60) :]
    ),
    "a piece comes twice": lambda data, chance: (
        data[: (at := chance.randrange(len(data)))] + data[max(0, at - chance.randrange(1, 400)) :]
    ),
    "the end is missing": lambda data, chance: data[: chance.randrange(len(data))],
}


@pytest.mark.parametrize("mutation", MUTATIONS)
@pytest.mark.parametrize("is_packed", [False, True])
def test_damaged_files_are_read_or_refused_and_never_crash(mutation: str, is_packed: bool) -> None:
    chance = random.Random(f"{mutation} {is_packed}")
    bars = [
        measure(
            note("G4", "2", value="quarter") * 2
            + note("B4", "2", extra="<chord/>")
            + "<note><grace/><pitch><step>D</step><octave>5</octave></pitch></note>"
            + note("E5", "4", value="half").replace(
                "</note>", '<notations><slur type="start"/><fermata/></notations></note>'
            )
            + "<backup><duration>8</duration></backup>"
            + note("C3", "8", staff="2").replace("<voice>", '<tie type="start"/><voice>'),
            number,
        )
        for number in (2, 3)
    ]
    sound = score(first(direction("<words>D.C. al Fine</words>") + note()), *bars).encode()
    data = packed({"score.xml": sound}, container="score.xml") if is_packed else sound
    read = 0
    refused: set[RefusalCode] = set()
    for _ in range(150):
        damaged = MUTATIONS[mutation](data, chance)
        try:
            found = read_score(damaged)
            in_playing_order(found)
            demands_of(found)
            assert isinstance(found, WrittenScore)
            read += 1
        except ScoreError as error:
            refused.add(error.code)
    assert read < 150
    assert refused


def test_time_is_exact_where_units_change_from_bar_to_bar() -> None:
    third = first(note("C4", "3")).replace("<divisions>2<", "<divisions>3<").replace("<beats>4<", "<beats>1<")
    fifth = measure("<attributes><divisions>5</divisions></attributes>" + note("D4", "5"), 2)
    found = read_score(score(third, fifth).encode())
    assert [head.duration_beat for head in found.notes] == [Fraction(1), Fraction(1)]
