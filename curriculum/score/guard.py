"""What a score file is, decided by its bytes, with limits before anything reads it in earnest.

Nothing here trusts a name or an extension. Archives are read by name into memory and never unpacked to disk; sizes are checked before and
after unpacking. XML goes through two passes of the standard library's expat: the first stops at the first element and refuses entities
declared before it, the second builds the tree. Nothing is ever fetched: a DOCTYPE is allowed because real files carry one, and
expat reads no external subset unless it is told to. A separate hardened parser would add a dependency for the one thing
that is checked here (no entities), and builds its tree several times more slowly, in Python.
"""

from __future__ import annotations

import lzma
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass
from enum import StrEnum
from io import BytesIO
from xml.etree import ElementTree as ET
from xml.parsers import expat

from curriculum.score.errors import RefusalCode, ScoreFileError, ScoreTooLargeError


class FileKind(StrEnum):
    """What a file is."""

    MUSICXML = "musicxml"
    MIDI = "midi"
    ABC = "abc"


@dataclass(frozen=True, slots=True)
class ScoreLimits:
    """How much a score may be. The largest piano scores looked at have 3.3 MB, 6,600 notes, 780 bars and depth 9."""

    most_bytes: int = 8_000_000  # of a file, and of what it unpacks to
    most_entries: int = 64  # in an archive; real ones have 2 to 10
    most_ratio: int = 100  # unpacked to packed; scores pack 10 to 40 times
    most_depth: int = 40  # of elements in elements
    most_elements: int = 700_000  # start and end tags together; a real file of 8 MB has about 500,000
    most_notes: int = 40_000
    most_midi_notes: int = (
        12_000  # MIDI notes have to be fitted into bars first, which takes ten times as long as reading them
    )
    most_bars: int = 4_000
    most_played_bars: int = 20_000  # with repeats
    most_text: int = 200_000  # characters of typed notes


USUAL_LIMITS = ScoreLimits()

_CONTAINER = "META-INF/container.xml"
_ZIP_FAULTS = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError)
_NOTE = re.compile(rb"<note[\s>/]")
_MEASURE = re.compile(rb"<measure[\s>/]")
_ABC_KEY = re.compile(r"^K:", re.MULTILINE)


class _FirstElementError(Exception):
    """The first element was reached."""


def sniff(data: bytes, *, limits: ScoreLimits = USUAL_LIMITS) -> tuple[FileKind, bytes]:
    r"""Return what the bytes are, and the score itself where it was packed.

    Parameters
    ----------
    data : bytes
        The whole file. Reading one byte more than ``limits.most_bytes`` is enough to have it refused.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    kind : FileKind
        MusicXML, MIDI or typed notes.
    payload : bytes
        Unpacked, not parsed.

    Raises
    ------
    ScoreFileError
        If the file is empty, no score, or a broken archive.
    ScoreTooLargeError
        If it is too large, packed or unpacked.

    Examples
    --------
    >>> sniff(b"X:1\nK:C\nCDEF|")[0]
    <FileKind.ABC: 'abc'>
    """
    if len(data) > limits.most_bytes:
        raise ScoreTooLargeError(f"The file has more than {_mb(limits.most_bytes)}. Scores are smaller.")
    if not data.strip(b"\0 \t\r\n"):
        raise ScoreFileError("The file is empty.", code=RefusalCode.EMPTY)
    if data.startswith(b"PK"):
        data = _unzip(data, limits=limits)
    if data.startswith(b"MThd"):
        return FileKind.MIDI, data
    if data.startswith(b"RIFF") and data[8:12] == b"RMID" and data[20:24] == b"MThd":
        return FileKind.MIDI, data[20:]
    if _looks_like_xml(data):
        return FileKind.MUSICXML, data
    text = _as_text(data)
    if text is not None and _ABC_KEY.search(text):
        return FileKind.ABC, data
    raise ScoreFileError(
        "The file is no score that can be read here. MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) and ABC (.abc) can be.",
        code=RefusalCode.NOT_A_SCORE,
    )


def parse_xml(data: bytes, *, limits: ScoreLimits = USUAL_LIMITS) -> ET.Element:
    """Return the root element of guarded XML, with namespaces removed.

    Parameters
    ----------
    data : bytes
        XML in any encoding that expat knows, with or without a byte order mark.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    xml.etree.ElementTree.Element
        The root.

    Raises
    ------
    ScoreFileError
        If the XML is broken (with the line), or declares entities or attributes that elements get without having them.
    ScoreTooLargeError
        If there are too many notes, bars or elements, or they are nested too deeply.

    Examples
    --------
    >>> parse_xml(b'<a xmlns="urn:x"><b/></a>')[0].tag
    'b'
    """
    if len(data) > limits.most_bytes:
        raise ScoreTooLargeError(f"The score has more than {_mb(limits.most_bytes)} when unpacked.")
    _check_counts(data, limits=limits)
    _refuse_entities(data)
    parser = ET.XMLParser()  # noqa: S314 - entities were refused in the first pass, and nothing external is ever read
    try:
        parser.feed(data)
        root: ET.Element = parser.close()
    except ET.ParseError as error:
        line, column = error.position
        raise ScoreFileError(_broken(line), code=RefusalCode.BROKEN_XML, line=line, column=column + 1) from error
    except (ValueError, LookupError) as error:  # an encoding that Python does not know
        raise ScoreFileError(f"The file's encoding cannot be read: {error}.", code=RefusalCode.BROKEN_XML) from error
    _check_depth(root, limits=limits)
    if "}" in root.tag:
        names: dict[str, str] = {}
        for element in root.iter():
            tag = element.tag
            if tag not in names:
                names[tag] = tag.rpartition("}")[2]
            element.tag = names[tag]
    return root


def decode_text(data: bytes, *, limits: ScoreLimits = USUAL_LIMITS) -> str:
    """Return typed notes as text.

    Parameters
    ----------
    data : bytes
        UTF-8 (with or without a mark), UTF-16 with a mark, or Latin-1.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    str
        Without a byte order mark.

    Raises
    ------
    ScoreFileError
        If the bytes are no text.
    ScoreTooLargeError
        If the text is too long.

    Examples
    --------
    >>> decode_text("T:Étude".encode("latin-1"))
    'T:Étude'
    """
    text = _as_text(data)
    if text is None:
        raise ScoreFileError("The file is not text.", code=RefusalCode.NOT_A_SCORE)
    if len(text) > limits.most_text:
        raise ScoreTooLargeError(f"The text has more than {limits.most_text} characters.")
    return text


def _mb(size: int) -> str:
    return f"{size / 1e6:g} MB"


def _looks_like_xml(data: bytes) -> bool:
    head = data[:200]
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if head.startswith(mark):
            return head[len(mark) :].decode(encoding, "ignore").lstrip().startswith("<")
    return head.replace(b"\0", b"").lstrip().startswith(b"<")


def _as_text(data: bytes) -> str | None:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    if b"\0" in data:
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
        odd = sum(1 for character in text[:4000] if character < " " and character not in "\t\r\n\f")
        return text if not odd else None


def _unzip(data: bytes, *, limits: ScoreLimits) -> bytes:
    # Counted in the bytes, so that a directory of a hundred thousand entries is not read first.
    if data.count(b"PK\x01\x02") > limits.most_entries:
        raise ScoreTooLargeError("The archive holds too many files for one score.", code=RefusalCode.TOO_MANY)
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            entries = archive.infolist()
            if len(entries) > limits.most_entries:
                raise ScoreTooLargeError("The archive holds too many files for one score.", code=RefusalCode.TOO_MANY)
            return _read_entry(archive, _root_entry(archive, entries, limits=limits), limits=limits)
    except (*_ZIP_FAULTS, NotImplementedError, RuntimeError, ValueError, OSError) as error:
        # RuntimeError: an encrypted entry; NotImplementedError: a packing method that Python does not know.
        raise ScoreFileError(
            "The file is a packed score (.mxl) that cannot be unpacked; it is damaged or protected.",
            code=RefusalCode.BROKEN_ZIP,
        ) from error


def _root_entry(archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo], *, limits: ScoreLimits) -> zipfile.ZipInfo:
    by_name = {entry.filename: entry for entry in entries}
    if _CONTAINER in by_name:
        container = parse_xml(_read_entry(archive, by_name[_CONTAINER], limits=limits), limits=limits)
        for rootfile in container.iter():
            if rootfile.tag.rpartition("}")[2] == "rootfile":
                name = rootfile.get("full-path", "")
                if name in by_name:
                    return by_name[name]
                raise ScoreFileError(
                    f"The packed score names {name[:80]!r} as its content, but that is not in it.",
                    code=RefusalCode.ZIP_WITHOUT_SCORE,
                )
    scores = [
        entry
        for entry in entries
        if entry.filename.lower().endswith((".xml", ".musicxml", ".mid", ".abc"))
        and not entry.filename.startswith("META-INF/")
    ]
    if len(scores) != 1:
        raise ScoreFileError(
            f"The archive holds {len(scores)} scores and does not say which one is meant.",
            code=RefusalCode.ZIP_WITHOUT_SCORE,
        )
    return scores[0]


def _read_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, *, limits: ScoreLimits) -> bytes:
    too_large = f"The packed score would unpack to more than {_mb(limits.most_bytes)}, or far more than it packs."
    if entry.file_size > limits.most_bytes or entry.file_size > limits.most_ratio * max(entry.compress_size, 1000):
        raise ScoreTooLargeError(too_large)
    with archive.open(entry) as stream:
        content = stream.read(limits.most_bytes + 1)
    if len(content) > limits.most_bytes:  # what the directory says need not be true
        raise ScoreTooLargeError(too_large)
    return content


def _check_counts(data: bytes, *, limits: ScoreLimits) -> None:
    if b"\0" in data[:200]:
        data = data.replace(b"\0", b"")  # UTF-16: the tags are plain letters with a zero beside each
    if data.count(b"<") > limits.most_elements:
        raise ScoreTooLargeError("The score has too many parts to it (elements).", code=RefusalCode.TOO_MANY)
    for pattern, most, what in ((_NOTE, limits.most_notes, "notes"), (_MEASURE, limits.most_bars, "bars")):
        if data.count(b"<") > most and sum(1 for _ in pattern.finditer(data)) > most * (8 if what == "bars" else 1):
            raise ScoreTooLargeError(f"The score has more than {most} {what}.", code=RefusalCode.TOO_MANY)


def _refuse_entities(data: bytes) -> None:
    parser = expat.ParserCreate()

    def declared(*_: object) -> None:
        raise ScoreFileError(
            "The file declares entities (shorthands that can stand for anything), which no score needs.",
            code=RefusalCode.ENTITIES,
        )

    def begun(*_: object) -> None:
        raise _FirstElementError

    def given(element: str, *declared: object) -> None:
        # Hundreds of attributes for every note would make a small file fill the memory.
        if declared[2] is not None:  # name, kind, default, whether it must be there
            raise ScoreFileError(
                f"The file declares attributes that every {element[:40]!r} gets without having them, which no score needs.",
                code=RefusalCode.ENTITIES,
            )

    parser.EntityDeclHandler = declared
    parser.AttlistDeclHandler = given
    parser.StartElementHandler = begun
    try:
        parser.Parse(data, True)
    except _FirstElementError:
        return
    except expat.ExpatError as error:
        raise ScoreFileError(
            _broken(error.lineno), code=RefusalCode.BROKEN_XML, line=error.lineno, column=error.offset + 1
        ) from error
    except (ValueError, LookupError) as error:
        raise ScoreFileError(f"The file's encoding cannot be read: {error}.", code=RefusalCode.BROKEN_XML) from error


def _broken(line: int) -> str:
    return f"The file is damaged: its XML breaks off or is wrong at line {line}."


def _check_depth(root: ET.Element, *, limits: ScoreLimits) -> None:
    level = [root]
    for _ in range(limits.most_depth):
        level = [child for element in level for child in element]
        if not level:
            return
    raise ScoreTooLargeError(f"Elements are nested more than {limits.most_depth} deep.", code=RefusalCode.TOO_DEEP)
