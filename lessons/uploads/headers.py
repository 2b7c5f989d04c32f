"""Headers of tus 1.0.0 read and written. Nothing here touches a file."""

import base64
import binascii
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime

from lessons.uploads.checksum import ALGORITHMS, Checksum, read_checksum
from lessons.uploads.errors import ContentTypeError, HeaderError, LengthMissingError, VersionError

VERSION = "1.0.0"
EXTENSIONS = ("creation", "creation-defer-length", "checksum", "expiration", "termination")
SLICE_TYPE = "application/offset+octet-stream"

# Digits of a length or an offset: eighteen are more bytes than any disk holds, and fit into the table's 64 bits.
MOST_DIGITS = 18
# Characters of the metadata header. Seven short values and a file name of 255 bytes take 600; ten times that is no clip's.
MOST_METADATA = 6_000

_NUMBER = re.compile(rf"[0-9]{{1,{MOST_DIGITS}}}")
_KEY = re.compile(r"[!-+\--~]+")  # ASCII without blanks and commas


@dataclass(frozen=True, slots=True)
class Creation:
    """What a request to begin an upload says. ``size_bytes`` None: the length follows later."""

    size_bytes: int | None
    metadata: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Slice:
    """What a request that carries bytes says about them.

    ``offset_bytes`` is where they begin, ``length_bytes`` how many are to come. ``size_bytes`` is the length of the whole
    upload where this request tells it, None otherwise.
    """

    offset_bytes: int
    length_bytes: int
    size_bytes: int | None = None
    checksum: Checksum | None = None


def check_version(headers: Mapping[str, str]) -> None:
    """Let pass only what speaks our version. No form of another site can set this header.

    Parameters
    ----------
    headers : mapping of str to str
        Headers of the request, found by the names as the protocol writes them.

    Raises
    ------
    VersionError
        If ``Tus-Resumable`` is missing or is not `VERSION`.

    Examples
    --------
    >>> check_version({"Tus-Resumable": "1.0.0"})
    """
    found = headers.get("Tus-Resumable")
    if found != VERSION:
        said = f"“{found[:20]}”" if found else "nothing"
        raise VersionError(f"Tus-Resumable says {said}; {VERSION} is wanted.")


def read_creation(headers: Mapping[str, str]) -> Creation:
    """Return what a request to begin an upload says.

    Parameters
    ----------
    headers : mapping of str to str
        Headers of the request, found by the names as the protocol writes them.

    Returns
    -------
    Creation
        Length in bytes (None where it is deferred) and the metadata, empty where none was sent.

    Raises
    ------
    HeaderError
        If there is neither a length nor its deferral, or both, or one cannot be read, or the metadata cannot.

    Examples
    --------
    >>> read_creation({"Upload-Length": "12", "Upload-Metadata": "filename YS5tb3Y="})
    Creation(size_bytes=12, metadata={'filename': 'a.mov'})
    >>> read_creation({"Upload-Defer-Length": "1"}).size_bytes is None
    True
    """
    size = headers.get("Upload-Length")
    deferred = headers.get("Upload-Defer-Length")
    if deferred is not None and deferred.strip() != "1":
        raise HeaderError(f"Upload-Defer-Length says “{deferred[:20]}”; it may only be 1.")
    if (size is None) == (deferred is None):
        raise HeaderError("Either Upload-Length or Upload-Defer-Length is wanted, and not both.")
    return Creation(
        size_bytes=None if size is None else read_number(size, name="Upload-Length"),
        metadata=read_metadata(headers.get("Upload-Metadata", "")),
    )


def read_slice(headers: Mapping[str, str]) -> Slice:
    """Return what a request that carries bytes says about them.

    Parameters
    ----------
    headers : mapping of str to str
        Headers of the request, found by the names as the protocol writes them.

    Returns
    -------
    Slice
        Where the bytes begin and how many come, with length of the whole and checksum where they are told.

    Raises
    ------
    ContentTypeError
        If the media type is not `SLICE_TYPE`.
    LengthMissingError
        If ``Content-Length`` is missing: what is sent in pieces of unknown length cannot be told from what broke off.
    HeaderError
        If a number or the checksum cannot be read, or the offset is missing.

    Examples
    --------
    >>> read_slice({"Content-Type": SLICE_TYPE, "Content-Length": "5", "Upload-Offset": "70"})
    Slice(offset_bytes=70, length_bytes=5, size_bytes=None, checksum=None)
    """
    kind = headers.get("Content-Type", "")
    if kind.partition(";")[0].strip().lower() != SLICE_TYPE:
        raise ContentTypeError(f"Content-Type says “{kind[:60]}”; {SLICE_TYPE} is wanted.")
    length = headers.get("Content-Length", "")
    if not length:
        raise LengthMissingError("Content-Length is missing.")
    offset = headers.get("Upload-Offset")
    if offset is None:
        raise HeaderError("Upload-Offset is missing.")
    size, checksum = headers.get("Upload-Length"), headers.get("Upload-Checksum")
    return Slice(
        offset_bytes=read_number(offset, name="Upload-Offset"),
        length_bytes=read_number(length, name="Content-Length"),
        size_bytes=None if size is None else read_number(size, name="Upload-Length"),
        checksum=None if checksum is None else read_checksum(checksum),
    )


def read_number(text: str, *, name: str) -> int:
    """Return a number of bytes.

    Parameters
    ----------
    text : str
        Decimal digits, at most `MOST_DIGITS`, with blanks around them at most.
    name : str
        Name of the header, for the message.

    Returns
    -------
    int
        0 or more.

    Raises
    ------
    HeaderError
        If the text is anything else: empty, signed, too long, or of other digits.

    Examples
    --------
    >>> read_number(" 4096 ", name="Upload-Length")
    4096
    """
    if _NUMBER.fullmatch(text.strip()) is None:
        raise HeaderError(f"{name} says “{text[:30]}”; a number of bytes is wanted.")
    return int(text)


def read_metadata(text: str) -> dict[str, str]:
    """Return the metadata that a client sent along.

    Parameters
    ----------
    text : str
        Pairs separated by commas: a key, one blank and the value in base64; the value may be left out.

    Returns
    -------
    dict of str to str
        Values decoded as UTF-8, in the order sent; control characters are taken out, for no file name holds them. Empty for
        an empty text.

    Raises
    ------
    HeaderError
        If the text is longer than `MOST_METADATA`, a key is empty, comes twice or is not ASCII, or a value is no base64 of UTF-8.

    Examples
    --------
    >>> read_metadata("filename w5xiZW4ubW92,is_late")
    {'filename': 'Üben.mov', 'is_late': ''}
    """
    if len(text) > MOST_METADATA:
        raise HeaderError(f"Upload-Metadata has {len(text)} characters; {MOST_METADATA} are the most.")
    found: dict[str, str] = {}
    for pair in text.split(",") if text.strip() else ():
        key, _, encoded = pair.strip().partition(" ")
        if _KEY.fullmatch(key) is None or key in found:
            raise HeaderError(f"Upload-Metadata has the key “{key[:30]}”, which is empty, odd, or there already.")
        try:
            value = base64.b64decode(encoded.strip(), validate=True).decode()
        except (binascii.Error, ValueError) as error:
            raise HeaderError(f"The value of “{key[:30]}” in Upload-Metadata is not UTF-8 in base64.") from error
        found[key] = "".join(letter for letter in value if letter.isprintable())
    return found


def write_metadata(values: Mapping[str, str]) -> str:
    """Return metadata as a header.

    Parameters
    ----------
    values : mapping of str to str
        Keys of ASCII without blanks and commas; values of any letters.

    Returns
    -------
    str
        What `read_metadata` reads as the same; empty for an empty mapping.

    Examples
    --------
    >>> write_metadata({"filename": "a.mov", "is_late": ""})
    'filename YS5tb3Y=,is_late'
    """
    return ",".join(f"{key} {base64.b64encode(value.encode()).decode()}".rstrip() for key, value in values.items())


def server_headers(*, most_bytes: int) -> dict[str, str]:
    """Return what a server says about itself when asked with OPTIONS.

    Parameters
    ----------
    most_bytes : int
        Size of the largest upload that is taken, in bytes.

    Returns
    -------
    dict of str to str
        Header names and values.

    Examples
    --------
    >>> server_headers(most_bytes=8_000_000_000)["Tus-Max-Size"]
    '8000000000'
    """
    return {
        "Tus-Version": VERSION,
        "Tus-Extension": ",".join(EXTENSIONS),
        "Tus-Max-Size": str(most_bytes),
        "Tus-Checksum-Algorithm": ",".join(ALGORITHMS),
    }


def state_headers(*, offset_bytes: int, size_bytes: int | None, expires_at: datetime) -> dict[str, str]:
    """Return what a server says about an upload.

    Parameters
    ----------
    offset_bytes : int
        How many bytes have arrived.
    size_bytes : int or None
        Length of the whole in bytes, None where it is not known yet.
    expires_at : datetime
        When what has arrived is thrown away; with its time zone.

    Returns
    -------
    dict of str to str
        Header names and values.

    Examples
    --------
    >>> state_headers(offset_bytes=5, size_bytes=None, expires_at=datetime(2026, 11, 25, tzinfo=UTC))
    {'Upload-Offset': '5', 'Upload-Defer-Length': '1', 'Upload-Expires': 'Wed, 25 Nov 2026 00:00:00 GMT'}
    """
    length = {"Upload-Defer-Length": "1"} if size_bytes is None else {"Upload-Length": str(size_bytes)}
    return {"Upload-Offset": str(offset_bytes)} | length | {"Upload-Expires": write_moment(expires_at)}


def write_moment(moment: datetime) -> str:
    """Return a moment as headers write it (RFC 9110, section 5.6.7).

    Parameters
    ----------
    moment : datetime
        With its time zone.

    Returns
    -------
    str
        Day, date and time in GMT.

    Examples
    --------
    >>> write_moment(datetime(2026, 11, 25, 18, 30, tzinfo=UTC))
    'Wed, 25 Nov 2026 18:30:00 GMT'
    """
    return format_datetime(moment.astimezone(UTC), usegmt=True)
