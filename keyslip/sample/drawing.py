"""A reference picture for the sample, drawn here: a hand over keys from above, in lines, as a book might print it. Invented."""

from io import BytesIO

from PIL import Image, ImageDraw

WIDTH_PX, HEIGHT_PX = 960, 540
WHITE_KEYS = 8
INK, PAPER = (24, 30, 28), (252, 252, 248)
# Where the five fingertips lie, pixels from the top: long fingers further in, thumb and little finger at the edge.
TIPS_PX = (420, 372, 352, 366, 404)


def hand_from_above() -> bytes:
    """Return the drawing as a PNG: curved fingers, one on each of five white keys, the back of the hand level."""
    image = Image.new("RGB", (WIDTH_PX, HEIGHT_PX), PAPER)
    draw = ImageDraw.Draw(image)
    key_px = WIDTH_PX / WHITE_KEYS
    draw.line((0, 90, WIDTH_PX, 90), fill=INK, width=5)
    for place in range(1, WHITE_KEYS):
        draw.line((place * key_px, 90, place * key_px, 470), fill=INK, width=2)
    draw.line((0, 470, WIDTH_PX, 470), fill=INK, width=3)
    for place in (0, 1, 3, 4, 5):
        left = (place + 0.69) * key_px
        draw.rectangle((left, 90, left + key_px * 0.6, 300), fill=INK)
    # First everything in ink, a little wider, then everything in paper: what is left is one outline.
    for edge_px, colour in ((4, INK), (0, PAPER)):
        reach = 25 + edge_px
        for place, tip_px in enumerate(TIPS_PX):
            tip, knuckle = ((place + 0.5) * key_px, tip_px), (2.5 * key_px + (place - 2) * 74, 520)
            draw.line((*tip, *knuckle), fill=colour, width=2 * reach)
            draw.ellipse((tip[0] - reach, tip[1] - reach, tip[0] + reach, tip[1] + reach), fill=colour)
        left, right = 2.5 * key_px - 190 - edge_px, 2.5 * key_px + 190 + edge_px
        draw.ellipse((left, 455 - edge_px, right, 800), fill=colour)
    held = BytesIO()
    image.save(held, "PNG")
    return held.getvalue()
