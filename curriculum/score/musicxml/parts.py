"""Which part of a file is the piano, and which staff is which hand.

A part with two staves is the piano. Two parts of one staff each are its two hands. One staff alone is played by a hand that is asked for,
unless its name says which. Other parts (a voice, a violin) are left out, and that is said.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from curriculum.score.errors import RefusalCode, ScoreContentError, ScoreFileError, WarningCode
from curriculum.score.notes import Hand, ScoreWarning

_RIGHT = re.compile(r"\b(right|r\.?\s?h\.?|rechte?|droite|destra)(\W|$)", re.IGNORECASE)
_LEFT = re.compile(r"\b(left|l\.?\s?h\.?|linke?|gauche|sinistra)(\W|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PartOfFile:
    """One part as the file names it. ``measures`` are its elements in order."""

    id: str
    name: str
    measures: tuple[ET.Element, ...]
    staves: int
    notes: int  # pitched, rests not counted
    unpitched: int
    low_clef: bool  # begins in the bass clef


@dataclass(frozen=True, slots=True)
class ChosenParts:
    """What is read: one part, or two as the two hands, with a hand for each staff (counted through both parts)."""

    parts: tuple[PartOfFile, ...]
    hands: tuple[Hand | None, ...]
    warnings: tuple[ScoreWarning, ...]


def parts_of(root: ET.Element) -> tuple[PartOfFile, ...]:
    """Return the parts of a parsed score.

    Parameters
    ----------
    root : xml.etree.ElementTree.Element
        ``score-partwise`` or ``score-timewise``, without namespaces.

    Returns
    -------
    tuple of PartOfFile
        In the order of the file, at least one.

    Raises
    ------
    ScoreFileError
        If the root is no score.
    ScoreContentError
        If there are no parts, a part is not in the part list or twice in the file, or parts have different numbers of bars.

    Examples
    --------
    >>> root = ET.fromstring('<score-partwise><part-list><score-part id="P1"/></part-list><part id="P1"><measure/></part></score-partwise>')
    >>> [part.id for part in parts_of(root)]
    ['P1']
    """
    if root.tag == "score-timewise":
        found = _from_timewise(root)
    elif root.tag == "score-partwise":
        found = [(part.get("id", ""), tuple(part.iter("measure"))) for part in root.findall("part")]
    else:
        raise ScoreFileError(
            f"The file is XML, but no score: its outermost element is {root.tag[:40]!r}.", code=RefusalCode.NOT_A_SCORE
        )
    names = {
        listed.get("id", ""): " ".join((listed.findtext("part-name") or "").split())
        for listed in root.iter("score-part")
    }
    if not found:
        raise ScoreContentError("The score has no parts.", code=RefusalCode.NO_PARTS)
    for part_id, _ in found:
        if part_id not in names:
            raise ScoreContentError(
                f"The part {part_id[:40]!r} is not in the list of parts, so the score contradicts itself.",
                code=RefusalCode.PART_UNKNOWN,
            )
    if len({part_id for part_id, _ in found}) < len(found):
        raise ScoreContentError("Two parts of the score have the same id.", code=RefusalCode.PART_UNKNOWN)
    counts = [len(measures) for _, measures in found]
    if len(set(counts)) > 1:
        listed_counts = ", ".join(str(count) for count in counts)
        raise ScoreContentError(
            f"The parts have different numbers of bars ({listed_counts}); from bar {min(counts) + 1} on one of them is missing.",
            code=RefusalCode.BARS_DIFFER,
            bar=str(min(counts) + 1),
        )
    if not counts[0]:
        raise ScoreContentError("The score has no bars.", code=RefusalCode.NO_NOTES)
    return tuple(_part(part_id, names[part_id], measures) for part_id, measures in found)


def choose_parts(parts: tuple[PartOfFile, ...], *, part: str = "", hand: Hand | None = None) -> ChosenParts:
    """Return the part or parts that a pianist plays.

    Parameters
    ----------
    parts : tuple of PartOfFile
        As :func:`parts_of` gives them.
    part : str
        Id of the part to read, if that was asked and answered.
    hand : str or None
        Which hand plays a score of one staff, if that was asked and answered.

    Returns
    -------
    ChosenParts
        With warnings for what was left out and what is doubtful.

    Raises
    ------
    ScoreContentError
        If no part has pitched notes, or it cannot be told which part is the piano.

    Examples
    --------
    >>> piano = PartOfFile("P1", "Piano", (), 2, 10, 0, False)
    >>> choose_parts((piano,)).hands
    ('right', 'left')
    """
    warnings: list[ScoreWarning] = []
    pitched = [candidate for candidate in parts if candidate.notes and candidate.id in (part or candidate.id)]
    if not pitched:
        unpitched = sum(candidate.unpitched for candidate in parts)
        if unpitched:
            raise ScoreContentError(
                "The score has only notes without pitch, as for drums. A piano cannot play them.",
                code=RefusalCode.UNPITCHED,
            )
        raise ScoreContentError("The score has no notes.", code=RefusalCode.NO_NOTES)
    chosen = _chosen(pitched)
    if len(parts) > len(chosen):
        left_out = ", ".join(other.name or other.id for other in parts if other not in chosen)
        warnings.append(ScoreWarning(WarningCode.PART_LEFT_OUT, "", f"Read for the piano; left out: {left_out[:200]}."))
    hands, doubt = _hands(chosen, hand=hand)
    if doubt is not None:
        warnings.append(doubt)
    return ChosenParts(tuple(chosen), hands, tuple(warnings))


def _chosen(pitched: list[PartOfFile]) -> list[PartOfFile]:
    two_staves = [candidate for candidate in pitched if candidate.staves > 1]
    if len(two_staves) == 1:
        return two_staves
    if not two_staves and len(pitched) <= 2:
        return pitched
    named = ", ".join(f"{candidate.name or 'without a name'} ({candidate.id})" for candidate in pitched)
    raise ScoreContentError(
        f"The score has {len(pitched)} parts and none is clearly the piano: {named[:300]}. Which one do you play?",
        code=RefusalCode.WHICH_PART,
    )


def _hands(chosen: list[PartOfFile], *, hand: Hand | None) -> tuple[tuple[Hand | None, ...], ScoreWarning | None]:
    if len(chosen) == 2:
        upper, lower = chosen
        if upper.low_clef and not lower.low_clef:
            return ("left", "right"), _doubt(
                "The first of two parts is in the bass clef; it was taken for the left hand. Is that right?"
            )
        sure = (
            bool(_RIGHT.search(upper.name) and _LEFT.search(lower.name))
            or upper.name.lower() == lower.name.lower()
            or (lower.low_clef and not upper.low_clef)
        )
        text = "Two parts were taken for the two hands, the first for the right. Is that right?"
        return ("right", "left"), None if sure else _doubt(text)
    only = chosen[0]
    if only.staves == 2:
        return ("right", "left"), None
    if only.staves > 2:
        text = f"The score has {only.staves} staves. The hands of those between the first and the last are not known."
        between: tuple[Hand | None, ...] = (None,) * (only.staves - 2)
        return ("right", *between, "left"), ScoreWarning(WarningCode.MORE_STAVES, "", text)
    if hand is not None:
        return (hand,), None
    if _RIGHT.search(only.name) and not _LEFT.search(only.name):
        return ("right",), None
    if _LEFT.search(only.name) and not _RIGHT.search(only.name):
        return ("left",), None
    return (None,), ScoreWarning(WarningCode.WHICH_HAND, "", "The score has one staff. Which hand plays it?")


def _doubt(text: str) -> ScoreWarning:
    return ScoreWarning(WarningCode.HAND_DOUBTFUL, "", text)


def _from_timewise(root: ET.Element) -> list[tuple[str, tuple[ET.Element, ...]]]:
    """Turn bars of parts into parts of bars."""
    found: dict[str, list[ET.Element]] = {}
    for measure in root.findall("measure"):
        for part in measure.findall("part"):
            bar = ET.Element("measure", measure.attrib)
            bar.extend(part)
            found.setdefault(part.get("id", ""), []).append(bar)
    return [(part_id, tuple(measures)) for part_id, measures in found.items()]


def _part(part_id: str, name: str, measures: tuple[ET.Element, ...]) -> PartOfFile:
    staves, notes, unpitched = 1, 0, 0
    low_clef: bool | None = None
    for measure in measures:
        for note in measure.iter("note"):
            if note.find("pitch") is not None:
                notes += 1
            elif note.find("unpitched") is not None:
                unpitched += 1
            staff = note.findtext("staff", "1").strip()
            # A number that is none is refused later, where its bar is known.
            if staff.isdecimal() and len(staff) < 3:
                staves = max(staves, int(staff))
        for attributes in measure.iter("attributes"):
            number = attributes.findtext("staves", "1").strip()
            if number.isdecimal() and len(number) < 3:
                staves = max(staves, int(number))
            if low_clef is None and (sign := attributes.findtext("clef/sign")) is not None:
                low_clef = sign.strip() == "F"
    return PartOfFile(part_id, name, measures, staves, notes, unpitched, bool(low_clef))
