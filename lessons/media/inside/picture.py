"""Whether a still picture is whole and of a size that can be shown."""

import warnings
from typing import Any

from PIL import Image, UnidentifiedImageError

from lessons.media.inside.opening import OwnBytes

# Formats a browser can be given after re-encoding. EPS is left out because reading it starts another program;
# MPO because naming it makes the library fail when nothing matches (JPEG covers it).
FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "GIF", "AVIF")

# Degrees clockwise by which EXIF's orientation asks the stored picture to be turned (mirrored ones turn the same way).
_TURN_DEG = {3: 180, 4: 180, 5: 90, 6: 90, 7: 270, 8: 270}
_EXIF_ORIENTATION = 0x0112


def look_picture(fd: int, options: dict[str, Any]) -> dict[str, Any]:
    """Return kind, reason and size of a still picture, after decoding its first frame."""
    found: dict[str, Any] = {"kind": "picture"}
    max_px = int(options.get("max_image_px", 50_000_000))
    Image.MAX_IMAGE_PIXELS = max_px
    _register_heif()
    with warnings.catch_warnings():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            with Image.open(OwnBytes(fd), formats=FORMATS) as image:  # type: ignore[arg-type]
                width, height = image.size
                found["video"] = {
                    "width": width,
                    "height": height,
                    "rotation_deg": 0,
                    "codec": (image.format or "").lower(),
                }
                if width * height > max_px:
                    return found | {"reason": "picture_too_large"}
                if max(width, height) > options.get("max_image_side_px", 20_000):
                    return found | {"reason": "picture_too_large"}
                if min(width, height) < options.get("min_image_side_px", 32):
                    return found | {"reason": "picture_too_small"}
                image.verify()
            with Image.open(OwnBytes(fd), formats=FORMATS) as image:  # type: ignore[arg-type]
                turn_deg = _TURN_DEG.get(image.getexif().get(_EXIF_ORIENTATION, 1), 0)
                image.draft("RGB", (1600, 1600))
                image.load()
        except (Image.DecompressionBombWarning, Image.DecompressionBombError):
            return found | {"reason": "picture_too_large"}
        except UnidentifiedImageError:
            return found | {"reason": "picture_broken"}
        except MemoryError:
            raise
        except Exception:  # noqa: BLE001 - the format plug-ins raise nearly anything on damaged input
            return found | {"reason": "picture_broken"}
    found["video"]["rotation_deg"] = turn_deg
    if turn_deg in (90, 270):
        found["video"] |= {"width": height, "height": width}
    return found | {"reason": "ok"}


def _register_heif() -> None:
    import pillow_heif

    pillow_heif.register_heif_opener(thumbnails=False)
