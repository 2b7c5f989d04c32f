"""Whether a still picture is whole and of a size that can be shown, and plain copies of it."""

import os
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import Any

from PIL import Image, ImageCms, UnidentifiedImageError

from lessons.media.inside.job import Job
from lessons.media.inside.opening import OwnBytes
from lessons.media.inside.sniffing import HEAD_BYTES, Guess, guess

# Formats a browser can be given after re-encoding. EPS is left out because reading it starts another program;
# MPO because naming it makes the library fail when nothing matches (JPEG covers it).
FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "GIF", "AVIF")

# JPEG quality of what is stored. At 88 a picture of 1600 pixels takes about 400 kB and nothing is seen of the coding.
QUALITY = 88

# Pixels of the stored picture that are flattened at one time. Four million take 16 MB beside the picture itself, instead of as much
# again as it.
BAND_PX = 4_000_000

# Passes in which a progressive JPEG may be written. Encoders write about ten; each pass costs as much as the whole picture, and
# thousands fit into a small file: 36 million pixels in 4000 passes did not end within a minute.
MAX_SCANS = 100

# What may stand inside a pass without ending it: stuffed bytes, fill bytes and restart marks.
_JPEG_MARK = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")

# Largest colour profile that is followed, bytes. Phones' have about 500; larger ones are for printing presses.
MAX_PROFILE_BYTES = 100_000

# Degrees clockwise by which EXIF's orientation asks the stored picture to be turned (mirrored ones turn the same way).
_TURN_DEG = {3: 180, 4: 180, 5: 90, 6: 90, 7: 270, 8: 270}
# What to do with the stored picture for each orientation.
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_EXIF_ORIENTATION = 0x0112


class _RefusedError(Exception):
    """The picture is not taken; the argument is the reason's code."""


def look_picture(fd: int, options: dict[str, Any]) -> dict[str, Any]:
    """Return kind, reason and size of a still picture, after decoding its first frame."""
    found: dict[str, Any] = {"kind": "picture"}
    try:
        with _loaded(fd, options, found):
            return found | {"reason": "ok"}
    except _RefusedError as refusal:
        return found | {"reason": str(refusal)}


def take_picture(job: Job) -> dict[str, Any]:
    """Write plain JPEGs of the picture, one for each wanted size, and return the reason and what was written."""
    options = job.options
    head = os.pread(job.source_fd, HEAD_BYTES, 0)
    kind = guess(head)
    if not head:
        return {"reason": "empty"}
    if kind is Guess.PICTURE_UNSHOWABLE:
        return {"reason": "picture_format"}
    if kind is not Guess.PICTURE:
        return {"reason": "not_a_picture"}
    found: dict[str, Any] = {}
    try:
        with _loaded(job.source_fd, options, found) as image:
            picture = _plain(image, long_side_px=max(options["sizes"]))
    except _RefusedError as refusal:
        return {"reason": str(refusal)}
    return {"reason": "ok", "saved": save_sizes(picture, job, quality=QUALITY)}


def save_sizes(picture: Image.Image, job: Job, *, quality: int) -> list[dict[str, int]]:
    """Write the picture once for each target, no longer on its long side than wanted (0: as it is), and return sizes."""
    saved = []
    for fd, long_side_px in zip(job.target_fds, job.options["sizes"], strict=True):
        small = picture.copy()
        if long_side_px:
            small.thumbnail((long_side_px, long_side_px), Image.Resampling.LANCZOS)
        # A new picture carries nothing of the old but its pixels.
        fresh = Image.new("RGB", small.size)
        fresh.paste(small)
        packed = BytesIO()
        fresh.save(packed, "JPEG", quality=quality)
        data = packed.getvalue()
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(fd, rest) :]
        saved.append({"width": fresh.width, "height": fresh.height, "bytes": len(data)})
    return saved


@contextmanager
def _loaded(fd: int, options: dict[str, Any], found: dict[str, Any]) -> Iterator[Image.Image]:
    """Give the decoded picture, as stored; its size goes into ``found`` as soon as it is known."""
    max_px = int(options.get("max_image_px", 50_000_000))
    Image.MAX_IMAGE_PIXELS = max_px
    _register_heif()
    with warnings.catch_warnings():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            with Image.open(OwnBytes(fd), formats=FORMATS) as image:  # type: ignore[arg-type]
                found["video"] = _facts(image, turn_deg=0)
                _check_size(image.size, options, max_px=max_px)
                if image.format == "JPEG":
                    _check_scans(OwnBytes(fd).read())
                image.verify()
            with Image.open(OwnBytes(fd), formats=FORMATS) as image:  # type: ignore[arg-type]
                turn_deg = _TURN_DEG.get(image.getexif().get(_EXIF_ORIENTATION, 1), 0)
                facts = _facts(image, turn_deg=turn_deg)
                image.draft("RGB", (max(options.get("sizes", [1600])),) * 2)
                image.load()
                found["video"] = facts
                yield image
        except (Image.DecompressionBombWarning, Image.DecompressionBombError):
            raise _RefusedError("picture_too_large") from None
        except UnidentifiedImageError:
            raise _RefusedError("picture_broken") from None
        except (MemoryError, _RefusedError):
            raise
        except Exception as error:
            # The format plug-ins raise nearly anything on damaged input.
            raise _RefusedError("picture_broken") from error


def _facts(image: Image.Image, *, turn_deg: int) -> dict[str, Any]:
    width, height = image.size[::-1] if turn_deg in (90, 270) else image.size
    return {"width": width, "height": height, "rotation_deg": turn_deg, "codec": (image.format or "").lower()}


def _check_size(size: tuple[int, int], options: dict[str, Any], *, max_px: int) -> None:
    if size[0] * size[1] > max_px or max(size) > options.get("max_image_side_px", 20_000):
        raise _RefusedError("picture_too_large")
    if min(size) < options.get("min_image_side_px", 32):
        raise _RefusedError("picture_too_small")


def _check_scans(data: bytes) -> None:
    # From mark to mark up to the picture's end; what lies behind (a second picture, a film) does not count.
    at, scans = 2, 0
    while (found := _JPEG_MARK.search(data, at)) and scans <= MAX_SCANS:
        mark = data[found.start() + 1]
        if mark == 0xD9:
            break
        scans += mark == 0xDA
        at = found.end() + int.from_bytes(data[found.end() : found.end() + 2], "big")
    if scans > MAX_SCANS:
        raise _RefusedError("picture_broken")


def _plain(image: Image.Image, *, long_side_px: int) -> Image.Image:
    """Return the picture upright, in plain colours on white, shrunk to not much more than the wanted size."""
    factor = max(1, max(image.size) // (2 * long_side_px))
    small = Image.new("RGB", (-(-image.width // factor), -(-image.height // factor)))
    rows = max(1, BAND_PX // (image.width * factor)) * factor
    for top in range(0, image.height, rows):
        # In bands: flattening the whole picture at once would take as much memory again as decoding it.
        band = image.crop((0, top, image.width, min(image.height, top + rows)))
        small.paste(_flat(band).reduce(factor), (0, top // factor))
    small.thumbnail((long_side_px, long_side_px), Image.Resampling.LANCZOS)
    coloured = _in_srgb(small, image)
    # HEIF is turned by its own reader, which also clears the tag: turning by the tag alone never turns twice.
    turn = _TURNS.get(image.getexif().get(_EXIF_ORIENTATION, 1))
    return coloured if turn is None else coloured.transpose(turn)


def _flat(band: Image.Image) -> Image.Image:
    """Return eight-bit RGB; what is see-through becomes white."""
    if band.mode.startswith("I"):
        # Sixteen bits: converting would cut off everything above 255.
        return band.point(lambda value: value * (1 / 257) + 0.0).convert("L").convert("RGB")
    if band.mode == "P":
        band = band.convert("RGBA" if "transparency" in band.info else "RGB")
    if band.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in band.info:
        layer = band.convert("RGBA")
        white = Image.new("RGB", layer.size, "white")
        white.paste(layer, mask=layer.getchannel("A"))
        return white
    return band.convert("RGB")


def _in_srgb(picture: Image.Image, original: Image.Image) -> Image.Image:
    """Return the picture in the colours of the web; phones write a wider set that looks dull where it is not understood."""
    profile = original.info.get("icc_profile")
    if original.mode not in ("RGB", "RGBA") or not profile or len(profile) > MAX_PROFILE_BYTES:
        return picture
    try:
        converted = ImageCms.profileToProfile(
            picture, BytesIO(profile), ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return picture  # a profile that nobody can follow changes nothing
    return converted or picture


def _register_heif() -> None:
    import pi_heif

    pi_heif.register_heif_opener(thumbnails=False)
