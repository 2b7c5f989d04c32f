"""Signs and words of piano music: what each means, what it asks, and where it stands in a score.

One key for each sign or word. A unit that teaches it, a piece that shows it and the page that explains it share that key, so
that choosing a sign answers "your book teaches this in unit 14" or "not in your book yet".
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

import yaml

from curriculum.score.demands.digest import Digest, digest
from curriculum.score.demands.errors import UnknownSignError
from curriculum.score.demands.page import heads_on_staves, plain_words
from curriculum.score.demands.rhythm import TRIPLET_COUNTS, UNEVEN_BEATS, is_compound
from curriculum.score.notes import Bar, Mark, MarkKind, WrittenNote, WrittenScore

SIGNS_FILE = Path(__file__).parents[2] / "content" / "signs.yaml"
_BAR_SIGNS = ("segno", "coda", "to_coda", "da_capo", "dal_segno", "fine", "pickup")


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign or word.

    Attributes
    ----------
    key : str
        Its stable name.
    name : str
        What it is called, for a list to choose from.
    text : str
        What it means, in a sentence or two.
    skills : tuple of str
        Slugs of shipped skills that it asks for, its own one first; may be empty.
    detectors : tuple of str
        Demands that are found in a piece because of it.
    words : tuple of str
        How it is printed, where it is a word: lower case, letters and single spaces.
    finds : tuple of str
        How it is met in a score, such as ``articulation:staccato``.
    """

    key: str
    name: str
    text: str
    skills: tuple[str, ...] = ()
    detectors: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    finds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SignInScore:
    """A sign and the printed numbers of the bars in which it stands."""

    sign: Sign
    bars: tuple[str, ...]


@cache
def signs() -> MappingProxyType[str, Sign]:
    """Return the closed list of signs and words.

    Returns
    -------
    mapping of str to Sign
        By key, in the order of the file, which is one in which they can be shown.

    Examples
    --------
    >>> signs()["fermata"].skills
    ('score-marks', 'tempo-bending')
    """
    content = yaml.safe_load(SIGNS_FILE.read_text(encoding="utf-8"))
    found = {
        row["key"]: Sign(
            row["key"],
            row["name"],
            row["text"],
            tuple(row["skills"]),
            tuple(row["detectors"]),
            tuple(row.get("words", ())),
            tuple(row["finds"]),
        )
        for row in content["signs"]
    }
    return MappingProxyType(found)


def explain(key: str) -> Sign:
    """Return one sign with its explanation.

    Parameters
    ----------
    key : str
        A key of `signs`.

    Returns
    -------
    Sign
        From the closed list.

    Raises
    ------
    UnknownSignError
        If the list does not hold it.

    Examples
    --------
    >>> explain("tie").text
    'A curve between two notes of the same pitch. The second one is held and not struck again.'
    """
    try:
        return signs()[key]
    except KeyError:
        message = f"there is no sign {key!r}; wanted a key of content/signs.yaml"
        raise UnknownSignError(message) from None


def signs_in_words(text: str) -> tuple[Sign, ...]:
    """Return the signs that are named in printed words.

    Parameters
    ----------
    text : str
        As printed; capitals, dots and numbers do not matter.

    Returns
    -------
    tuple of Sign
        In the order of the text, each once; longer words first, so that *con brio* is not *con*. Empty for no known word.

    Examples
    --------
    >>> [sign.key for sign in signs_in_words("Allegro con brio, poco rit.")]
    ['allegro', 'con-brio', 'poco', 'slowing']
    """
    pattern, keys = _words()
    found = dict.fromkeys(keys[match.group()] for match in pattern.finditer(plain_words(text)))
    return tuple(signs()[key] for key in found)


def signs_of(score: WrittenScore) -> tuple[SignInScore, ...]:
    """Return every known sign and word that stands in a score.

    Parameters
    ----------
    score : WrittenScore
        As printed.

    Returns
    -------
    tuple of SignInScore
        In the order of the closed list; empty for a score without notes.

    Examples
    --------
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> found = signs_of(make_pattern(Pattern(kind="scale", key="G", value="1/2", touch="staccato")))
    >>> [(one.sign.key, one.bars) for one in found if one.sign.key in ("staccato", "key-of-sharps")]
    [('key-of-sharps', ('1', '2')), ('staccato', ('1', '2'))]
    """
    if not score.notes:
        return ()
    by_find = {find: sign.key for sign in signs().values() for find in sign.finds}
    bars: dict[str, set[int]] = {}
    for find, bar in _finds(digest(score)):
        if find in by_find:
            bars.setdefault(by_find[find], set()).add(bar)
    for mark in score.marks:
        if mark.kind in (MarkKind.WORDS, MarkKind.TEMPO):
            for sign in signs_in_words(mark.text):
                bars.setdefault(sign.key, set()).add(mark.bar)
    return tuple(
        SignInScore(sign, tuple(dict.fromkeys(score.bars[bar].number for bar in sorted(bars[key]))))
        for key, sign in signs().items()
        if key in bars
    )


@cache
def _words() -> tuple[re.Pattern[str], dict[str, str]]:
    keys = {word: sign.key for sign in signs().values() for word in sign.words}
    longest_first = sorted(keys, key=lambda word: (-len(word), word))
    return re.compile(r"\b(?:" + "|".join(map(re.escape, longest_first)) + r")\b"), keys


def _finds(found: Digest) -> Iterator[tuple[str, int]]:
    """Yield how signs are met and the index of the bar: kind, or kind and name."""
    for bar in found.bars:
        yield from ((find, bar.index) for find in _in_bar(bar))
    if found.score.staves > 1:
        yield "brace", 0
    yield from _clefs(found)
    for note, _, lines in heads_on_staves(found):
        if lines:
            yield "ledger", note.bar
        yield from ((find, note.bar) for find in _in_note(note))
    for rest in found.score.rests:
        if not rest.hidden:
            yield "rest:bar" if rest.whole_bar else "rest", rest.bar
            if rest.fermata:
                yield "articulation:fermata", rest.bar
    for mark in found.score.marks:
        yield from ((find, mark.bar) for find in _in_mark(mark))


def _in_bar(bar: Bar) -> Iterator[str]:
    if bar.key.fifths:
        yield "key:sharps" if bar.key.fifths > 0 else "key:flats"
    if bar.metre is not None:
        if bar.metre.symbol:
            yield f"metre:{bar.metre.symbol}"
        elif bar.metre.beats in UNEVEN_BEATS:
            yield "metre:uneven"
        else:
            yield "metre:compound" if is_compound(bar.metre) else "metre:simple"
    if bar.repeat_start or bar.repeat_times:
        yield "repeat"
    elif bar.barline:
        yield f"barline:{bar.barline}"
    if bar.ending_starts:
        yield "ending"
    yield from (name for name in _BAR_SIGNS if getattr(bar, name))


def _clefs(found: Digest) -> Iterator[tuple[str, int]]:
    last: dict[int, tuple[str, int, int]] = {}
    for clef in sorted(found.score.clefs, key=lambda clef: (clef.bar, clef.offset_beat)):
        shape = (clef.sign, clef.line, clef.octave)
        yield f"clef:{clef.sign}", clef.bar
        if last.setdefault(clef.staff, shape) != shape:
            yield "clef:change", clef.bar
        last[clef.staff] = shape


def _in_note(note: WrittenNote) -> Iterator[str]:
    yield "grace" if note.grace else f"value:{note.value}"
    if note.dots:
        yield "dot"
    if note.tuplet is not None:
        yield f"tuplet:{note.tuplet.actual}" if note.tuplet.actual in TRIPLET_COUNTS else "tuplet:other"
    if note.tie_starts:
        yield "tie"
    if note.accidental:
        yield f"accidental:{note.accidental}"
    if note.finger is not None:
        yield "finger"
    if note.arpeggio:
        yield "arpeggio"
    yield from (f"articulation:{name}" for name in note.articulations)
    yield from (f"ornament:{name}" for name in note.ornaments)


def _in_mark(mark: Mark) -> Iterator[str]:
    yield f"mark:{mark.kind.value}"
    if mark.kind is MarkKind.DYNAMIC:
        yield f"dynamic:{mark.text}"
    elif mark.kind is MarkKind.PEDAL and mark.text:
        yield f"pedal:{mark.text}"
