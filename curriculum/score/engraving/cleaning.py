"""Pictures rebuilt from a list of allowed shapes, so that nothing but shapes and words reaches a page."""

import re
from xml.etree import ElementTree as ET
from xml.sax.saxutils import escape, quoteattr

from curriculum.score.engraving.errors import UncleanPictureError

_SVG = "{http://www.w3.org/2000/svg}"
# What may stand in a picture. Everything else goes, with all that is in it: script, style, foreignObject, image, a, desc, ...
_SHAPES = frozenset({
    "svg", "g", "defs", "path", "use", "text", "tspan", "rect", "ellipse", "circle", "polygon", "polyline", "line",
})  # fmt: skip
_NUMBER = r"-?[0-9]+(?:\.[0-9]+)?(?:e-?[0-9]+)?"
_MEASURE = re.compile(rf"{_NUMBER}(?:px)?\Z")
_NUMBERS = re.compile(rf"(?:{_NUMBER}[ ,]*)*\Z")
_PATH = re.compile(r"[MmLlHhVvCcSsQqTtAaZz0-9eE.,\s-]*\Z")
_TRANSFORM = re.compile(rf"(?:(?:translate|scale|rotate|matrix|skewX|skewY)\((?:{_NUMBER}[ ,]*)+\)\s*)*\Z")
_WORD = re.compile(r"[a-zA-Z][a-zA-Z-]*\Z")
_INHERITED = re.compile(r"(?:none|currentColor)\Z")
_ALLOWED = {
    "viewBox": _NUMBERS, "d": _PATH, "points": _NUMBERS, "transform": _TRANSFORM, "x": _MEASURE, "y": _MEASURE,
    "x1": _MEASURE, "x2": _MEASURE, "y1": _MEASURE, "y2": _MEASURE, "dx": _MEASURE, "dy": _MEASURE, "cx": _MEASURE,
    "cy": _MEASURE, "r": _MEASURE, "rx": _MEASURE, "ry": _MEASURE, "width": _MEASURE, "height": _MEASURE,
    "stroke-width": _MEASURE, "stroke-dasharray": _NUMBERS, "stroke-linecap": _WORD, "stroke-linejoin": _WORD,
    "font-size": _MEASURE, "font-style": _WORD, "font-weight": _WORD, "text-anchor": _WORD, "overflow": _WORD,
    "fill": _INHERITED, "stroke": _INHERITED,
}  # fmt: skip
# The engraver's names of things that keep a class, with `m-` in front of ours. Others are only there to hold things together.
_CLASSES = frozenset({
    "accid", "arpeg", "artic", "barLine", "beam", "beamSpan", "breath", "caesura", "chord", "clef", "dir", "dot", "dots", "dynam",
    "ending", "fermata", "fing", "flag", "gliss", "graceGrp", "grpSym", "hairpin", "harm", "keySig", "layer", "ledgerLines", "mNum",
    "mRest", "measure", "meterSig", "mordent", "note", "notehead", "octave", "pedal", "reh", "repeatMark", "rest", "slur", "staff",
    "stem", "system", "tempo", "tie", "trill", "tuplet", "tupletBracket", "tupletNum", "turn",
})  # fmt: skip
_OURS = re.compile(r"b[0-9]+n[0-9]+\Z")
# Deepest nesting that is followed; pictures have about 15.
_MOST_DEPTH = 60


# Note values in metronome marks and the like stand in a text font of the engraver's that is nowhere else; with what every font has, or words.
_LETTERS = {
    "\ueca2": "whole", "\ueca3": "half", "\ueca5": "\u2669", "\ueca7": "\u266a", "\ueca9": "sixteenth", "\uecab": "thirty-second",
    "\uecb7": ".",
}  # fmt: skip
_PRIVATE = re.compile("[\ue000-\uf8ff]")


def _readable(text: str) -> str:
    return _PRIVATE.sub(lambda match: _LETTERS.get(match.group(), ""), text.strip("\n"))


class CleanPicture:
    """One picture while it is rebuilt.

    Attributes
    ----------
    notes : list of str
        Our ids of the notes that were drawn, in the order met.
    bars : int
        How many bars were drawn.
    """

    def __init__(self, *, prefix: str, first_bar: int, label: str) -> None:
        """Begin: `prefix` names shapes, `first_bar` is the index of the first bar drawn, `label` says what is seen."""
        self.notes: list[str] = []
        self.bars = 0
        self._prefix = prefix
        self._first_bar = first_bar
        self._label = label
        self._out: list[str] = []

    def rebuild(self, svg: str) -> str:
        """Return a picture with nothing in it but what is allowed.

        Parameters
        ----------
        svg : str
            As the engraver drew it.

        Returns
        -------
        str
            An `svg` element without ids, styles, links and colours, to be put into a page.

        Raises
        ------
        UncleanPictureError
            If it is no SVG, declares anything, or lies too deep.

        Examples
        --------
        >>> picture = CleanPicture(prefix="p1", first_bar=0, label="Two bars")
        >>> picture.rebuild('<svg xmlns="http://www.w3.org/2000/svg" onload="x"><script>1</script><path d="M0 0" fill="red"/></svg>')
        '<svg role="img" aria-label="Two bars"><path d="M0 0"/></svg>'
        """
        if "<!" in svg.replace("<!--", ""):
            raise UncleanPictureError("The picture declares something; wanted shapes alone.")
        try:
            root = ET.fromstring(svg)  # noqa: S314 - nothing is declared, checked above
        except ET.ParseError as error:
            raise UncleanPictureError("The picture is broken.") from error
        if root.tag != f"{_SVG}svg":
            raise UncleanPictureError("The picture is no SVG.")
        self._element(root, depth=0, in_defs=False)
        return "".join(self._out)

    def _element(self, element: ET.Element, *, depth: int, in_defs: bool) -> None:
        if depth > _MOST_DEPTH:
            raise UncleanPictureError(f"The picture is nested more than {_MOST_DEPTH} deep.")
        tag = element.tag.removeprefix(_SVG)
        if tag not in _SHAPES or "placeholder" in element.get("class", "").split():
            return
        opening = self._opening(element, tag=tag, depth=depth, in_defs=in_defs)
        is_text = tag in ("text", "tspan")
        text = escape(_readable(element.text or "")) if is_text and (element.text or "").strip() else ""
        if not len(element) and not text:
            if tag not in ("g", "text", "tspan", "defs"):
                self._out.append(f"{opening}/>")
            elif "data-" in opening:
                self._out.append(f"{opening}></{tag}>")
            return
        self._out.append(f"{opening}>{text}")
        for child in element:
            self._element(child, depth=depth + 1, in_defs=in_defs or tag == "defs")
        self._out.append(f"</{tag}>")

    def _opening(self, element: ET.Element, *, tag: str, depth: int, in_defs: bool) -> str:
        parts = [f"<{tag}"]
        if depth == 0:
            parts.append(f' role="img" aria-label={quoteattr(self._label)}')
        found = element.get("class", "").split()
        classes = [f"m-{name}" for name in found if name in _CLASSES]
        if classes:
            parts.append(f' class="{" ".join(classes)}"')
        name = element.get("id", "")
        if in_defs and name and tag == "g":
            parts.append(f' id="{self._name(name)}"')
        elif "note" in found and _OURS.match(name):
            self.notes.append(name)
            parts.append(f' data-note="{name}"')
        elif "measure" in found:
            parts.append(f' data-bar="{self._first_bar + self.bars}"')
            self.bars += 1
        parts.extend(
            f" {key}={quoteattr(value)}"
            for key, value in element.attrib.items()
            if key in _ALLOWED and _ALLOWED[key].match(value.strip())
        )
        link = element.get("href", "")
        if tag == "use" and link.startswith("#"):
            parts.append(f' href="#{self._name(link[1:])}"')
        return "".join(parts)

    def _name(self, name: str) -> str:
        """Return the name of a shape in this picture: the engraver adds something to it that changes from run to run."""
        return f"{self._prefix}-{re.sub('[^A-Za-z0-9]', '', name.partition('-')[0])}"
