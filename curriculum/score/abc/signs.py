"""Names between exclamation marks, and the letters that stand for them (ABC 2.1, 4.14)."""

from __future__ import annotations

from curriculum.score.notes import MarkKind

ARTICULATIONS = {
    "staccato": "staccato", ">": "accent", "accent": "accent", "emphasis": "accent", "tenuto": "tenuto",
    "wedge": "staccatissimo", "fermata": "fermata", "invertedfermata": "fermata", "marcato": "strong-accent", "^": "strong-accent",
}  # fmt: skip
ORNAMENTS = {
    "trill": "trill-mark", "lowermordent": "mordent", "mordent": "mordent", "uppermordent": "inverted-mordent",
    "pralltriller": "inverted-mordent", "turn": "turn", "invertedturn": "inverted-turn",
}  # fmt: skip
DYNAMICS = frozenset({"pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "sfz", "sf", "fp", "fz", "sfp"})
SPAN_STARTS = {
    "crescendo(": MarkKind.CRESCENDO, "<(": MarkKind.CRESCENDO, "diminuendo(": MarkKind.DIMINUENDO,
    ">(": MarkKind.DIMINUENDO, "trill(": MarkKind.TRILL_LINE,
}  # fmt: skip
SPAN_STOPS = {
    "crescendo)": MarkKind.CRESCENDO, "<)": MarkKind.CRESCENDO, "diminuendo)": MarkKind.DIMINUENDO,
    ">)": MarkKind.DIMINUENDO, "trill)": MarkKind.TRILL_LINE,
}  # fmt: skip
# Name -> the flags of a bar. "D.C." may mean two things in the standard; here it is the way back to the beginning.
JUMPS = {
    "segno": ("segno",), "coda": ("coda",), "D.S.": ("dal_segno",), "D.C.": ("da_capo",), "dacapo": ("da_capo",),
    "dacoda": ("to_coda",), "fine": ("fine",), "D.C.alfine": ("da_capo",), "D.S.alfine": ("dal_segno",),
    "D.C.alcoda": ("da_capo",), "D.S.alcoda": ("dal_segno",),
}  # fmt: skip
# What other instruments do, and what cannot be told exactly; named and left out.
NOT_FOR_PIANO = frozenset({
    "roll", "turnx", "invertedturnx", "0", "+", "plus", "snap", "slide", "upbow", "downbow", "open", "thumb", "shortphrase",
    "mediumphrase", "longphrase",
})  # fmt: skip
# The standard set of letters (4.16), which U: may redefine.
LETTERS = {
    "~": "!roll!", "H": "!fermata!", "L": "!accent!", "M": "!lowermordent!", "O": "!coda!", "P": "!uppermordent!",
    "S": "!segno!", "T": "!trill!", "u": "!upbow!", "v": "!downbow!", ".": "!staccato!",
}  # fmt: skip
