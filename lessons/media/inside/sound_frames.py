"""Does a plain sound file end where its frames, pages or chunks say it ends?

Sound without a film's container is read to the last byte without an error, however much is missing. Its small parts tell: each
says how long it is, the last one of a cut file is not whole, and some files promise at the start how many there will be.
"""

import os
from collections.abc import Callable

# Parts looked at before giving up: an hour of MP3 has 138 000 frames, an hour of AMR 180 000.
MAX_PARTS = 2_000_000

# Bytes read at a time while walking.
_WINDOW_BYTES = 1 << 20

# Share of the frames promised in the first frame of an MP3 that must be there.
_PROMISED_FRAC = 0.98

_OGG_END_OF_STREAM = 0x04

# Bits a second of MPEG audio by the header's index, in thousands (the tables of MPEG-1 and MPEG-2 audio, from memory).
_KBIT_1 = {
    1: (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    2: (0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    3: (0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
}
_KBIT_2 = {
    1: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    2: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    3: (0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
}
_RATE_HZ = (44_100, 48_000, 32_000)

# Bytes of a frame of AMR by its type, with the type's own byte (the storage format of RFC 4867, from memory).
_AMR_NARROW = (13, 14, 16, 18, 20, 21, 27, 32, 6, 0, 0, 0, 0, 0, 0, 1)
_AMR_WIDE = (18, 24, 33, 37, 41, 47, 51, 59, 61, 6, 0, 0, 0, 0, 1, 1)


class _Window:
    """Bytes of a file anywhere, read in large pieces."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._at = 0
        self._data = b""

    def bytes_at(self, at: int, count: int) -> bytes:
        if not self._at <= at <= at + count <= self._at + len(self._data):
            self._at, self._data = at, os.pread(self._fd, max(count, _WINDOW_BYTES), at)
        return self._data[at - self._at : at - self._at + count]


def is_sound_cut(fd: int, *, head: bytes, size: int) -> bool:
    """Return whether a file of bare sound ends inside one of its parts, or before the number of parts that it promises.

    Parameters
    ----------
    fd
        Open descriptor of a plain file; its position is not used.
    head
        The file's first 16 bytes.
    size
        The file's length in bytes.

    Returns
    -------
    bool
        False for a kind that is not walked. FLAC is not: it promises a length, which the decoded length is held against.
    """
    window = _Window(fd)
    if head.startswith(b"caff"):
        return _is_caf_cut(window, size)
    if head.startswith(b"OggS"):
        return _is_ogg_cut(window, size)
    if head.startswith(b"#!AMR-WB\n"):
        return _ends_inside(window, 9, size, _amr_bytes(_AMR_WIDE))
    if head.startswith(b"#!AMR\n"):
        return _ends_inside(window, 6, size, _amr_bytes(_AMR_NARROW))
    start = _behind_tag(head)
    first = window.bytes_at(start, 4)
    if _adts_bytes(window, start):
        return _ends_inside(window, start, size, _adts_bytes)
    if _mpeg_bytes(first):
        return _is_mp3_cut(window, start, size)
    return False


def _ends_inside(window: _Window, at: int, size: int, bytes_of: Callable[[_Window, int], int]) -> bool:
    """Walk frames until one is not whole; bytes that begin no frame were put behind the sound."""
    for _ in range(MAX_PARTS):
        if at >= size:
            return at > size
        length = bytes_of(window, at)
        if not length:
            return False
        at += length
    return False


def _behind_tag(head: bytes) -> int:
    """Where sound begins behind an ID3v2 tag, whose length has seven bits a byte."""
    if not head.startswith(b"ID3") or len(head) < 10:
        return 0
    length = 0
    for byte in head[6:10]:
        length = length << 7 | byte & 0x7F
    return 10 + length + (10 if head[5] & 0x10 else 0)


def _amr_bytes(table: tuple[int, ...]) -> Callable[[_Window, int], int]:
    def bytes_of(window: _Window, at: int) -> int:
        kind = window.bytes_at(at, 1)[0]
        return 0 if kind & 0x83 else table[kind >> 3 & 0x0F]

    return bytes_of


def _adts_bytes(window: _Window, at: int) -> int:
    head = window.bytes_at(at, 7)
    if len(head) < 7 or head[0] != 0xFF or head[1] & 0xF6 != 0xF0:
        return 0
    length = (head[3] & 0x03) << 11 | head[4] << 3 | head[5] >> 5
    return length if length >= 7 else 0


def _mpeg_bytes(head: bytes) -> int:
    """Bytes of the MPEG audio frame whose header this is, 0 if it is none."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return 0
    version, layer = head[1] >> 3 & 3, head[1] >> 1 & 3
    kbit_index, rate_index, padding = head[2] >> 4, head[2] >> 2 & 3, head[2] >> 1 & 1
    if version == 1 or layer == 0 or not 0 < kbit_index < 15 or rate_index == 3:
        return 0
    is_full_rate = version == 3
    bit_s = (_KBIT_1 if is_full_rate else _KBIT_2)[layer][kbit_index] * 1000
    rate_hz = _RATE_HZ[rate_index] // {3: 1, 2: 2, 0: 4}[version]
    if layer == 3:
        return (12 * bit_s // rate_hz + padding) * 4
    slots = 144 if layer == 2 or is_full_rate else 72
    return slots * bit_s // rate_hz + padding


def _is_mp3_cut(window: _Window, at: int, size: int) -> bool:
    promised = _promised_frames(window, at)
    for found in range(MAX_PARTS):
        length = _mpeg_bytes(window.bytes_at(at, 4)) if at < size else 0
        if not length:
            return promised is not None and found < _PROMISED_FRAC * promised and at >= size
        if at + length > size:
            return True
        at += length
    return False


def _promised_frames(window: _Window, at: int) -> int | None:
    """Frames that the first one says will follow, where its encoder wrote that down."""
    first = window.bytes_at(at, 192)
    for name in (b"Xing", b"Info"):
        found = first.find(name)
        if found > 0 and len(first) >= found + 12 and first[found + 7] & 1:
            return int.from_bytes(first[found + 8 : found + 12], "big")
    return None


def _is_ogg_cut(window: _Window, size: int) -> bool:
    at, flags = 0, 0
    for _ in range(MAX_PARTS):
        if at == size:
            # The last page of a stream is marked as such (RFC 3533, from memory).
            return not flags & _OGG_END_OF_STREAM
        head = window.bytes_at(at, 27)
        if not head.startswith(b"OggS"[: len(head)]):
            return False
        if len(head) < 27:
            return True
        flags = head[5]
        lengths = window.bytes_at(at + 27, head[26])
        at += 27 + head[26] + sum(lengths)
        if len(lengths) < head[26] or at > size:
            return True
    return False


def _is_caf_cut(window: _Window, size: int) -> bool:
    at = 8
    for _ in range(MAX_PARTS):
        head = window.bytes_at(at, 12)
        if len(head) < 12:
            return False
        length = int.from_bytes(head[4:], "big", signed=True)
        if length < 0:
            return False  # written while recording: the data go on to the end
        if at + 12 + length > size:
            return True
        at += 12 + length
    return False
