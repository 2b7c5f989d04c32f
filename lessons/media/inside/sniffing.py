"""What a file seems to be from its first bytes. A first sorting only: the verdict comes from decoding."""

from enum import StrEnum

# Enough for every signature below, and for the brands of an ISO media file.
HEAD_BYTES = 512


class Guess(StrEnum):
    """Which reader gets the file."""

    MIDI = "midi"
    PICTURE = "picture"
    PICTURE_UNSHOWABLE = "picture_unshowable"
    LIST = "list"
    NOT_MEDIA = "not_media"
    CLIP = "clip"


# Brands in an ISO media file's `ftyp` box that mean a still picture (HEIF and AVIF families).
_STILL_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis"}

# Text that makes some readers open other files or addresses.
_LIST_STARTS = (b"#EXTM3U", b"ffconcat", b"v=0", b";FFMETADATA", b"RTSPtext", b"[Reference]", b"[playlist]", b"SMIL")

_NOT_MEDIA_STARTS = (b"PK\x03\x04", b"\x7fELF", b"%PDF", b"%!PS", b"\x1f\x8b", b"Rar!", b"7z\xbc\xaf", b"MZ")


def guess(head: bytes) -> Guess:
    """Return which reader should look at a file that begins like this.

    Parameters
    ----------
    head
        The first bytes, up to `HEAD_BYTES`; may be shorter.

    Returns
    -------
    Guess
        ``CLIP`` when nothing else is recognised.

    Examples
    --------
    >>> guess(b"#EXTM3U").value
    'list'
    """
    if head.startswith(b"MThd"):
        return Guess.MIDI
    if head.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"GIF87a", b"GIF89a")):
        return Guess.PICTURE
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return Guess.PICTURE
    if head[4:8] == b"ftyp" and _is_still(head):
        return Guess.PICTURE
    if head.startswith((b"II*\0", b"MM\0*", b"BM")):
        return Guess.PICTURE_UNSHOWABLE
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith(_LIST_STARTS):
        return Guess.LIST
    if start.startswith(b"<"):
        return Guess.LIST if b"<MPD" in start or b"<asx" in start.lower() else Guess.NOT_MEDIA
    if head.startswith(_NOT_MEDIA_STARTS):
        return Guess.NOT_MEDIA
    return Guess.CLIP


def _is_still(head: bytes) -> bool:
    size = int.from_bytes(head[:4], "big")
    brands = [head[8:12]] + [head[i : i + 4] for i in range(16, min(size, len(head)), 4)]
    # The major brand decides; 'mif1' and 'msf1' may stand behind a film's brand in files made by newer phones.
    return brands[0] in _STILL_BRANDS
