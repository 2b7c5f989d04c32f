"""How wide a picture is, and what making it may use."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A page to engrave on.

    Attributes
    ----------
    name : str
        Letters only; begins the names of shapes, so that two layouts may stand in one page.
    width : int
        Width of a page in the engraver's units; a staff is 72 units high.
    height : int
        Most height of a page, in the same units; what is not needed is cut off.
    """

    name: str
    width: int
    height: int


# 620 units on a phone 360 px wide: a staff of 42 px, near 7 mm, as in books for beginners; two bars of quarters in a line.
# Wider, and the staff is too small to be read from the bench; narrower, and a bar of eighths does not fit into a line.
# 1800 units on A4 with margins of 15 mm: a staff of 7.2 mm, four to six bars in a line.
# 2300 units of height leave room for a title on the first sheet of A4.
NARROW = Layout(name="narrow", width=620, height=60_000)
WIDE = Layout(name="wide", width=1800, height=2300)


@dataclass(frozen=True, slots=True, kw_only=True)
class EngravingLimits:
    """What one run of the engraver may use.

    Attributes
    ----------
    memory_bytes : int
        Address space. The largest piano score looked at (6,600 notes) needed 90 MB resident, 600 MB of address space.
    cpu_s : int
        Processor seconds; a stretch of 1,500 notes needs about two.
    wall_s : float
        Seconds by the clock; longer, because other programs share the processor.
    answer_bytes : int
        Most bytes of all pictures together. A dense page has about 400 kB.
    """

    memory_bytes: int = 1_500_000_000
    cpu_s: int = 30
    wall_s: float = 90.0
    answer_bytes: int = 40_000_000


USUAL_LIMITS = EngravingLimits()
