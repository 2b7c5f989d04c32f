"""A rhythm as a learner types it, in the names of note values."""

import re
from dataclasses import dataclass, field

from reviews.compare.errors import CompareError

# Notes of one time through. More than that is no phrase any more; a score says it better.
MOST_NOTES = 400
# Quarters of each value, by its names in the trade.
VALUES = {
    "whole": 4.0, "semibreve": 4.0, "1/1": 4.0,
    "half": 2.0, "halve": 2.0, "minim": 2.0, "1/2": 2.0,
    "quarter": 1.0, "crotchet": 1.0, "1/4": 1.0,
    "eighth": 0.5, "quaver": 0.5, "1/8": 0.5,
    "sixteenth": 0.25, "semiquaver": 0.25, "1/16": 0.25,
}  # fmt: skip
# Times as long: a dot adds a half; three triplet notes take the time of two.
CHANGES = {"dotted": 1.5, "triplet": 2 / 3}
# What may stand between values and says nothing of length.
SILENT = {"|", "||", "and", "note", "notes", "to", "x", "×", "times"}
TIES = {"+", "tied", "tied-to"}
RESTS = {"rest", "rests"}
_WORD = re.compile(r"\|\|?|\+|[^\s,;|+]+")
WANTED = "Write note values such as whole, half, quarter, eighth, sixteenth, or 1/4."


class RhythmError(CompareError):
    """What was typed is no rhythm; the message names the word and its place."""


@dataclass(slots=True)
class _Reading:
    """What has been read so far: ``gaps`` in quarters from each strike to the next, ``lead_beats`` those before the first.

    ``count`` and ``change`` wait for the value they belong to; ``waiting`` names the word that does.
    """

    gaps: list[float] = field(default_factory=list)
    lead_beats: float = 0.0
    is_tied: bool = False
    count: int = 1
    change: float = 1.0
    waiting: str = ""

    def take(self, word: str, *, said: str, before: str, after: str) -> None:
        """Read one word that is no bar line."""
        if word in RESTS:
            if _value(before) is None:
                raise RhythmError(f"{said} has no value before it. Write how long it is, such as quarter rest.")
        elif word in TIES:
            if not self.gaps or self.waiting:
                raise RhythmError(f"{said} has no note before it to hold on.")
            self.is_tied, self.waiting = True, said
        elif (times := re.fullmatch(r"(\d{1,4})[x×]?", word)) is not None:
            self.count, self.waiting = int(times[1]), said
            if not 1 <= self.count <= MOST_NOTES:
                raise RhythmError(f"{said} is no number of notes. Write 1 to {MOST_NOTES}.")
        elif word in CHANGES:
            self.change, self.waiting = self.change * CHANGES[word], said
        elif (beats := _value(word)) is not None:
            self.put_down(beats * self.change, is_rest=after in RESTS, said=said)
        else:
            raise RhythmError(f"{said} is no note value. {WANTED}")

    def put_down(self, beats: float, *, is_rest: bool, said: str) -> None:
        """Put down a value as often as was said."""
        if self.is_tied and (is_rest or self.count > 1):
            raise RhythmError(f"{said} cannot be tied to: that takes one note.")
        if not is_rest and not self.is_tied:
            self.gaps += [beats] * self.count
        elif self.gaps:
            self.gaps[-1] += beats * self.count
        else:
            self.lead_beats += beats * self.count
        self.is_tied, self.count, self.change, self.waiting = False, 1, 1.0, ""


def read_rhythm(text: str) -> tuple[float, ...]:
    """Return how long it is from each strike to the next, in quarters, once through.

    Parameters
    ----------
    text : str
        Note values in words or as fractions, with commas, bar lines or nothing between them: ``2 quarters, half | 4 eighths, dotted
        quarter, eighth``. A number says how often; *dotted* and *triplet* go before a value (a dot may follow it), *rest* after it;
        *tied* or ``+`` joins two. Any case.

    Returns
    -------
    tuple of float
        Quarters, above 0; a rest counts with the note before it, one at the beginning with the last note. Empty for a blank text.

    Raises
    ------
    RhythmError
        If a word is no value, something is left without its value, there is no note in it, or there are more than `MOST_NOTES`.

    Examples
    --------
    >>> read_rhythm("2 quarters, half | dotted quarter, eighth, quarter, quarter rest")
    (1.0, 1.0, 2.0, 1.5, 0.5, 2.0)
    """
    found = _Reading()
    words = [word for word in _WORD.findall(text.lower()) if word not in SILENT]
    for place, word in enumerate(words, start=1):
        beside = ["", *words, ""]
        found.take(word, said=f"“{word}”, word {place},", before=beside[place - 1], after=beside[place + 1])
        if len(found.gaps) > MOST_NOTES:
            raise RhythmError(f"There are more than {MOST_NOTES} notes up to word {place}. Type one phrase; it may be played over again.")  # fmt: skip
    if found.waiting:
        raise RhythmError(f"{found.waiting} is followed by no note value. {WANTED}")
    if text.strip() and not found.gaps:
        raise RhythmError(f"There is no note in it. {WANTED}")
    if found.gaps:
        found.gaps[-1] += found.lead_beats
    return tuple(round(beats, 6) for beats in found.gaps)


def _value(word: str) -> float | None:
    """Return the quarters of one written value; None where it is none."""
    dots = len(word) - len(word.rstrip("."))
    plain = word.rstrip(".")
    beats = VALUES.get(plain, VALUES.get(plain.removesuffix("s")))
    return beats * (2 - 0.5**dots) if beats is not None and dots <= 2 else None
