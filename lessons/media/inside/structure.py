"""Does a container end where it says it ends?

Decoders hide a cut: a recording in WebM that lost its second half decodes without one error. The container's own elements tell: the
last one promises more bytes than the file has. Only sizes are read here, never contents.
"""

import os
from dataclasses import dataclass

from lessons.media.inside.sound_frames import is_sound_cut

# Elements looked at before giving up, which bounds the time spent on a file made of tiny ones. An hour of a browser's WebM
# has about 300 000.
MAX_ELEMENTS = 2_000_000

_ISO_FIRST = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp", b"moof", b"uuid"}

_EBML, _SEGMENT, _CLUSTER = 0x1A45DFA3, 0x18538067, 0x1F43B675

# Elements that stand in a Matroska file, in its segment, or in a cluster whose length is left open. Bytes that begin none of
# these were put behind the film.
_MATROSKA = frozenset(
    {_EBML, _SEGMENT, _CLUSTER, 0x114D9B74, 0x1549A966, 0x1654AE6B, 0x1C53BB6B, 0x1941A469, 0x1043A770, 0x1254C367}
    | {0xEC, 0xBF, 0xE7, 0xA3, 0xA0, 0xA7, 0xAB, 0xAF, 0x5854}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """What the walk found.

    Attributes
    ----------
    container
        ``iso``, ``matroska``, ``wave``, ``flac`` or ``other``.
    is_cut
        Whether the file ends inside an element.
    has_index
        False only where an ISO file has no complete ``moov`` box.
    """

    container: str
    is_cut: bool
    has_index: bool


def walk(fd: int) -> Structure:
    """Return whether a file ends inside one of its own elements.

    Parameters
    ----------
    fd
        Open descriptor of a plain file; its position is not used.

    Returns
    -------
    Structure
        ``other``, not cut, for what is not walked, and for an empty file.
    """
    size = os.fstat(fd).st_size
    head = os.pread(fd, 16, 0)
    if head[4:8] in _ISO_FIRST:
        return _walk_iso(fd, size)
    if int.from_bytes(head[:4], "big") == _EBML:
        return Structure(container="matroska", is_cut=_is_matroska_cut(fd, size), has_index=True)
    if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
        return Structure(container="wave", is_cut=_is_wave_cut(fd, size), has_index=True)
    container = "flac" if head[:4] == b"fLaC" else "other"
    return Structure(container=container, is_cut=is_sound_cut(fd, head=head, size=size), has_index=True)


def _walk_iso(fd: int, size: int) -> Structure:
    at = 0
    has_index = False
    is_cut = False
    for _ in range(MAX_ELEMENTS):
        head = os.pread(fd, 16, at)
        if len(head) < 8:
            is_cut = is_cut or len(head) > 0
            break
        length, name = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1 and len(head) == 16:
            length = int.from_bytes(head[8:], "big")
        elif length == 0:
            length = size - at
        if length < 8:
            break
        if at + length > size:
            is_cut = True
            break
        has_index = has_index or name == b"moov"
        at += length
    return Structure(container="iso", is_cut=is_cut, has_index=has_index)


def _is_matroska_cut(fd: int, size: int) -> bool:
    at = 0
    for _ in range(MAX_ELEMENTS):
        if at == size:
            return False
        head = os.pread(fd, 12, at)
        id_bytes = _vint_bytes(head, longest=4)
        if id_bytes is None:
            return len(head) < 4
        size_bytes = _vint_bytes(head[id_bytes:], longest=8)
        if size_bytes is None:
            return len(head) < 12
        element = int.from_bytes(head[:id_bytes], "big")
        if element not in _MATROSKA:
            return False
        length = int.from_bytes(head[id_bytes : id_bytes + size_bytes], "big") & ((1 << 7 * size_bytes) - 1)
        is_unknown = length == (1 << 7 * size_bytes) - 1
        at += id_bytes + size_bytes
        if is_unknown or (element == _SEGMENT and at + length <= size):
            continue  # enter it: its children follow
        if at + length > size:
            return True
        at += length
    return False


def _vint_bytes(data: bytes, *, longest: int) -> int | None:
    """Length of the variable-length number that begins here, or None if it is not whole or not one."""
    if not data or data[0] == 0:
        return None
    length = 9 - data[0].bit_length()
    return length if length <= longest and length <= len(data) else None


def _is_wave_cut(fd: int, size: int) -> bool:
    at = 12
    for _ in range(MAX_ELEMENTS):
        head = os.pread(fd, 8, at)
        if len(head) < 8:
            return False
        length = int.from_bytes(head[4:], "little")
        if head[:4] == b"data" and length in (0, 0xFFFFFFFF):
            return False  # written while streaming: the length was never filled in
        if at + 8 + length > size:
            return True
        at += 8 + length + length % 2
    return False
