"""Pictures of a film as they are meant to look: plain colours, square pixels, upright."""

from fractions import Fraction

from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter
from av.video.stream import VideoStream
from PIL import Image

# Transfer curves of high dynamic range: 16 is PQ, 18 is HLG (ITU-T H.273, table 3, as FFmpeg numbers them).
HDR_CURVES = (16, 18)

# BT.709 in the same tables: what every browser takes a picture without further signs to be.
BT709 = 1

# "Not said" in the same tables, and the height in pixels from which browsers then take BT.709 instead of the older BT.601.
UNSAID = 2
HD_FROM_PX = 720

# Widest and narrowest pixel that is believed. What is beyond is a broken header.
WIDEST_PIXEL = 4

_TURNS = {90: Image.Transpose.ROTATE_270, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_90}


def turn_deg(frame: VideoFrame) -> int:
    """Return the degrees clockwise, 0 to 270, by which the stored picture is turned to stand upright."""
    # The library counts counter-clockwise.
    return round(-frame.rotation / 90) * 90 % 360


def pixel_ratio(stream: VideoStream) -> Fraction:
    """Return width over height of one stored pixel."""
    ratio = stream.codec_context.sample_aspect_ratio or Fraction(1)
    return ratio if Fraction(1, WIDEST_PIXEL) <= ratio <= WIDEST_PIXEL else Fraction(1)


def to_image(frame: VideoFrame, stream: VideoStream) -> Image.Image:
    """Return one picture of a film in full size, upright, with square pixels, in the colours of the web."""
    if frame.color_trc in HDR_CURVES:
        frame = VideoReformatter().reformat(
            frame,
            format="yuv444p",
            dst_color_range=1,
            dst_color_trc=BT709,
            dst_color_primaries=BT709,
            dst_colorspace=BT709,
        )
    elif frame.colorspace == UNSAID and min(frame.width, frame.height) >= HD_FROM_PX:
        frame.colorspace = BT709
    image: Image.Image = frame.to_image()  # type: ignore[no-untyped-call]
    ratio = pixel_ratio(stream)
    if ratio != 1:
        image = image.resize((max(1, round(image.width * ratio)), image.height))
    turn = _TURNS.get(turn_deg(frame))
    return image if turn is None else image.transpose(turn)
