"""Skills suggested from the words with which a learner describes what is new in a unit.

The question answered: *of the skills on the list, which few is this phrase most likely about?* The suggestion is a convenience in a
form; the learner chooses.

How a phrase is compared
------------------------
1. **Same words.** Letters are folded to small ones without accents, signs are spelt out (``♯`` becomes *sharp*), British and
   American terms, abbreviations and common misspellings are brought to one form by the ``same`` part of the word list
   (*crotchet*, *1/4 note* and *quarter note* are one), endings are cut off, and words without meaning here are dropped.
   A word of five letters or more that is not known at all stands for the known word with the same first letter one slip away (a letter too many, too few,
   wrong, or two swapped); one of nine letters or more may be two slips away.
2. **Phrases.** Each skill has phrases in the word list: *strong* ones that mean it, *fair* ones that usually do, and *hints*. A phrase
   found whole and in order counts its weight times the rarity of its words; found scattered it counts less; of long phrases most
   of the words are enough, for less again. Rarity is the natural logarithm of 1 + (number of skills / number of skills that use the word).
3. **The skill's own text.** Words shared with the name and the definition add a little, by rarity.
4. The best phrase of a skill counts fully and further ones half, a quarter and so on. Skills far below the best one, and all
   if the best one is weak, are left out; where half of the words are unknown (*bus stop*), the best one must be stronger.

A learner's own skills have no phrases in the list; their names are their phrases.

Worked example: in *passing the thumb in C major scale*, *pass thumb* is a strong phrase of the skill ``thumb-under`` and *major scale* one of
``scale-one-octave``; both are suggested.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import yaml

from curriculum.outline.errors import WordListError, shown

# Longest phrase that is looked at, in characters; what is new in a unit takes a line or two.
_LONGEST_PHRASE = 600
# Weights of phrases in the word list. Strong to hint as 4 to 1 lets one strong phrase outweigh two hints.
_WEIGHTS = {"strong": 4.0, "plain": 3.4, "fair": 2.2, "hint": 1.0}
# The name of a skill, as a phrase.
_NAME_WEIGHT = 3.0
# A phrase whose words are all there but scattered, or a long one of which most words are there.
_SCATTERED_FRAC = 0.75
_PARTLY_FRAC = 0.35
# A phrase that needs its idle words ("by ear") and lacks them.
_WITHOUT_IDLE_FRAC = 0.2
# Words of a phrase that stand further apart than this many other words say less together.
_NEAR_WORDS = 3
_FAR_FRAC = 0.5
# Rarity lent to an idle word in phrases that need theirs ("by ear"), where the true one would be about 0.5.
_IDLE_RARITY = 0.7
_LEAST_PART_FRAC = 0.6
# Each further phrase of the same skill counts this share of the one before it.
_FURTHER_FRAC = 0.45
# Words shared with name and definition, by rarity.
_NAME_WORD_WEIGHT = 0.8
# The same for a learner's own skill: its name is all there is, so one rare word of it is enough.
_OWN_NAME_WORD_WEIGHT = 2.2
_DEFINITION_WORD_WEIGHT = 0.35
_LINE_WORD_WEIGHT = 0.1
# Lowest score of the best suggestion (a hint of one rare word scores about 4), the same where at least half of the words are unknown
# ("bus stop"; one fair word scores about 9), of any suggestion, and that as a share of the best.
_LEAST_BEST_SCORE = 4.2
_LEAST_BEST_SCORE_UNKNOWN = 10.0
_LEAST_SCORE = 2.4
_LEAST_OF_BEST_FRAC = 0.16
# Letters from which one and two slips are forgiven. Shorter words have too many neighbours (hand, band, sand).
_ONE_SLIP_LETTERS = 5
_TWO_SLIPS_LETTERS = 9


@dataclass(frozen=True, slots=True)
class SkillWords:
    """What is known about a skill in words.

    Parameters
    ----------
    slug, name, group, definition : str
        As in the list of skills.
    lines : tuple of str
        What is seen or heard when it is there.
    """

    slug: str
    name: str
    group: str = ""
    definition: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WordList:
    """The word list: which phrases mean which skill.

    Parameters
    ----------
    phrases : tuple of (str, str, float)
        Slug, phrase, weight.
    same : tuple of (str, str)
        A way of writing, and the form it is brought to; longest first.
    idle : frozenset of str
        Words that say nothing.
    """

    phrases: tuple[tuple[str, str, float], ...] = ()
    same: tuple[tuple[str, str], ...] = ()
    idle: frozenset[str] = frozenset()


def read_words(path: Path) -> WordList:
    """The word list of a YAML file.

    Parameters
    ----------
    path : Path
        A file with the keys ``same`` (form: list of other ways of writing), ``idle`` (list of words) and ``skills`` (slug: ``strong``, ``plain``,
        ``fair``, ``hint`` lists of phrases).

    Returns
    -------
    WordList
        Empty parts where the file has none.

    Raises
    ------
    WordListError
        The file cannot be read or has another shape.

    Examples
    --------
    >>> read_words(Path("nowhere.yaml"))
    Traceback (most recent call last):
    ...
    curriculum.outline.errors.WordListError: The word list "nowhere.yaml" cannot be read.
    """
    try:
        root = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, yaml.YAMLError, RecursionError) as error:
        raise WordListError(f"The word list {shown(path.name)} cannot be read.") from error
    root = _mapping(root, "the word list")
    for key in root:
        if key not in {"about", "same", "idle", "skills"}:
            raise WordListError(f"The word list has an unknown part {shown(key)}.")
    same: list[tuple[str, str]] = []
    for form, others in _mapping(root.get("same"), "same").items():
        same += [(other, form) for other in _texts(others, f"same: {form}")]
    phrases: list[tuple[str, str, float]] = []
    for slug, kinds in _mapping(root.get("skills"), "skills").items():
        for kind, texts in _mapping(kinds, f"skills: {slug}").items():
            if kind not in _WEIGHTS:
                raise WordListError(f"skills: {slug}: {shown(kind)} is none of {', '.join(_WEIGHTS)}.")
            phrases += [(slug, text, _WEIGHTS[kind]) for text in _texts(texts, f"skills: {slug}: {kind}")]
    return WordList(
        phrases=tuple(phrases),
        same=tuple(same),
        idle=frozenset(_texts(root.get("idle"), "idle")),
    )


def _mapping(value: object, place: str) -> dict[str, object]:
    if value is None:
        return {}
    if not isinstance(value, dict) or not all(isinstance(key, str) for key in value):
        raise WordListError(f"{place}: names with lists under them are wanted.")
    return value


def _texts(value: object, place: str) -> list[str]:
    if value is None:
        return []
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise WordListError(f"{place}: a list of texts is wanted. Put quotation marks around numbers, yes and no.")
    return value


# --- words -------------------------------------------------------------------------------------------------------

_SIGNS = {
    "♯": " sharp ",
    "♭": " flat ",
    "♮": " natural ",
    "♩": " quarter note ",
    "♪": " eighth note ",
    "♫": " eighth notes ",
    "♬": " sixteenth notes ",
    "𝄞": " treble clef ",
    "𝄢": " bass clef ",
    "𝄐": " fermata ",
    "×": " x ",
    "’": "'",
    "‘": "'",
    "&": " and ",
    "<": " hairpin ",
    ">": " accent ",
}
_TOKEN = re.compile(r"\d+/\d+|[a-z0-9]+(?:'[a-z]+)?")
_SHARP = re.compile(r"\b([a-g])(?:#|-sharp\b)")
_FLAT = re.compile(r"\b([a-g])(?:b|-flat)\b(?!')")
_NUMBERS = {
    "one": "1",
    "two": "2",
    "three": "3",
    "four": "4",
    "five": "5",
    "six": "6",
    "seven": "7",
    "eight": "8",
    "nine": "9",
    "ten": "10",
    "twelve": "12",
    "sixteen": "16",
}
_ORDINALS = {
    "1st": "first",
    "2nd": "second",
    "3rd": "third",
    "4th": "fourth",
    "5th": "fifth",
    "6th": "sixth",
    "7th": "seventh",
    "8th": "eighth",
    "9th": "ninth",
    "10th": "tenth",
}
_TRIADS = frozenset({"ceg", "dfa", "egb", "fac", "gbd", "ace", "bdf"})
_LETTER_RUN = re.compile(
    r"\b[a-g](?: ?[,;/–-] ?| and | to | or | )(?:[a-g](?: ?[,;/–-] ?| and | to | or | ))*[a-g]\b(?!')"
)


def _folded(text: str) -> str:
    for sign, word in _SIGNS.items():
        text = text.replace(sign, word)
    text = unicodedata.normalize("NFKD", text.casefold())
    text = "".join(c for c in text if not unicodedata.combining(c)).replace("⁄", "/")
    text = _SHARP.sub(r"\1 sharp", text)
    return _FLAT.sub(r"\1 flat", text)


def _tokens(text: str) -> list[str]:
    tokens = (token.removesuffix("'s").replace("'", "") for token in _TOKEN.findall(text))
    return [_NUMBERS.get(token) or _ORDINALS.get(token.removesuffix("s"), token) for token in tokens]


_KEEP = frozenset(
    {
        "keys",
        "bass",
        "always",
        "press",
        "across",
        "cross",
        "less",
        "is",
        "this",
        "us",
        "plus",
        "pedal",
        "string",
        "swing",
        "thing",
        "spring",
        "bring",
    }
)


@lru_cache(maxsize=20_000)
def _stem(word: str) -> str:
    """The word without its common English ending. Not a dictionary form, only the same for the same word."""
    if len(word) <= 3 or not word.isalpha():
        return word
    if word in _KEEP:
        return word
    if word.endswith("ies") and len(word) > 4:
        word = word[:-3] + "y"
    elif word.endswith(("sses", "shes", "ches", "xes")):
        word = word[:-2]
    elif word.endswith("s") and not word.endswith(("ss", "us", "is")):
        word = word[:-1]
    for ending in ("ing", "ed", "ly"):
        stem = word.removesuffix(ending)
        if stem != word and len(stem) >= 3 and any(v in stem for v in "aeiouy"):
            word = stem
            if len(word) > 3 and word[-1] == word[-2] and word[-1] not in "lsz":
                word = word[:-1]
            break
    if len(word) > 3 and word.endswith("e"):
        word = word[:-1]
    if len(word) > 3 and word.endswith("y"):
        word = word[:-1] + "i"
    return word


def _slips(left: str, right: str, most: int) -> int:
    """Damerau's distance in its form without overlapping swaps, or ``most`` + 1 if it is larger."""
    if abs(len(left) - len(right)) > most:
        return most + 1
    before: list[int] = []
    row = list(range(len(right) + 1))
    for i, a in enumerate(left, start=1):
        older, before = before, row
        row = [i] + [0] * len(right)
        for j, b in enumerate(right, start=1):
            row[j] = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (a != b))
            if i > 1 and j > 1 and a == right[j - 2] and left[i - 2] == b:
                row[j] = min(row[j], older[j - 2] + 1)
        if min(row) > most:
            return most + 1
    return row[-1]


# --- the index ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Phrase:
    skill: int
    stems: tuple[str, ...]
    whole: tuple[str, ...]  # with its idle words
    weight: float

    @property
    def needs_idle_words(self) -> bool:
        """Whether the phrase says too little without its idle words, as *by ear* does."""
        return len(set(self.stems)) == 1 and len(self.whole) > 1


class SkillIndex:
    """Skills and a word list, made ready for many phrases.

    Parameters
    ----------
    skills : sequence of SkillWords
        The skills that may be suggested; slugs differ.
    words : WordList
        Phrases for skills that are not among ``skills`` are passed over.

    Examples
    --------
    >>> index = SkillIndex([SkillWords("own-bow", "Bowing at the end")], words=WordList())
    >>> index.suggest("bow at the end")
    ('own-bow',)
    """

    def __init__(self, skills: Sequence[SkillWords], *, words: WordList) -> None:
        self._slugs = tuple(skill.slug for skill in skills)
        self._idle = frozenset(_stem(word) for word in words.idle)
        self._same = _same_by_first_word(words.same)
        self._vocabulary: set[str] = set()
        place = {slug: number for number, slug in enumerate(self._slugs)}
        texts = [(place[slug], phrase, weight) for slug, phrase, weight in words.phrases if slug in place]
        texts += [(number, skill.name, _NAME_WEIGHT) for number, skill in enumerate(skills)]
        for variant, form in words.same:
            self._learn(variant, form)
        for _, phrase, _ in texts:
            self._learn(phrase)
        for skill in skills:
            self._learn(skill.definition)
        phrases: dict[tuple[int, tuple[str, ...]], _Phrase] = {}
        for number, phrase, weight in texts:
            whole = self._all_stems(phrase)
            if stems := self._without_idle(whole):
                entry = _Phrase(number, tuple(stems), tuple(whole), weight)
                key = (number, entry.whole if entry.needs_idle_words else entry.stems)
                if key not in phrases or phrases[key].weight < weight:
                    phrases[key] = entry
        self._phrases = tuple(phrases.values())
        listed = {slug for slug, _, _ in words.phrases}
        self._name_weights = tuple(
            _NAME_WORD_WEIGHT if slug in listed else _OWN_NAME_WORD_WEIGHT for slug in self._slugs
        )
        self._names = tuple(frozenset(self._stems(skill.name)) for skill in skills)
        self._definitions = tuple(frozenset(self._stems(skill.definition)) for skill in skills)
        self._lines = tuple(frozenset(self._stems(" ".join(skill.lines))) for skill in skills)
        by_skill: list[set[str]] = [
            set(name | definition) for name, definition in zip(self._names, self._definitions, strict=True)
        ]
        for found in self._phrases:
            by_skill[found.skill].update(found.stems)
        counts = Counter(stem for stems in by_skill for stem in stems)
        self._rarity: Mapping[str, float] = {
            stem: math.log(1 + max(len(skills), 20) / count) for stem, count in counts.items()
        }
        by_stem: dict[str, list[int]] = {}
        for number, found in enumerate(self._phrases):
            for stem in set(found.stems):
                by_stem.setdefault(stem, []).append(number)
        self._by_stem = by_stem

    def _learn(self, *texts: str) -> None:
        for text in texts:
            self._vocabulary.update(_tokens(_folded(text)))

    def _stems(self, text: str) -> list[str]:
        return self._without_idle(self._all_stems(text))

    def _all_stems(self, text: str, *, mend: bool = False) -> list[str]:
        folded = _folded(text)
        tokens = _tokens(folded)
        if mend:
            tokens = [self._mended(token) for token in tokens]
        tokens = self._brought_to_one_form(tokens)
        runs = [re.sub(r"[^a-g]|and|to|or", "", run) for run in _LETTER_RUN.findall(folded)]
        if runs:
            tokens.append("notename")
        if any(run[:3] in _TRIADS for run in runs):
            tokens.append("triadnotes")
        return [_stem(token) for token in tokens]

    def _without_idle(self, stems: Iterable[str]) -> list[str]:
        return [stem for stem in stems if stem not in self._idle]

    def _mended(self, token: str) -> str:
        if token in self._vocabulary or len(token) < _ONE_SLIP_LETTERS or not token.isalpha():
            return token
        stem = _stem(token)
        if any(_stem(known) == stem for known in (token[:-1], token + "s", stem) if known in self._vocabulary):
            return token
        most = 2 if len(token) >= _TWO_SLIPS_LETTERS else 1
        best, fewest = token, most + 1
        for known in sorted(self._vocabulary):
            if len(known) < _ONE_SLIP_LETTERS - 1 or not known.isalpha():
                continue
            slips = _slips(token, known, most)
            if slips and known[0] != token[0]:
                continue  # the first letter is seldom wrong: "dinner" is not "inner"
            if slips < fewest:
                best, fewest = known, slips
        return best

    def _brought_to_one_form(self, tokens: list[str]) -> list[str]:
        out: list[str] = []
        at = 0
        while at < len(tokens):
            for variant, form in self._same.get(_stem(tokens[at]), ()):
                if tuple(_stem(token) for token in tokens[at : at + len(variant)]) == variant:
                    out += form
                    at += len(variant)
                    break
            else:
                out.append(tokens[at])
                at += 1
        return out

    def suggest(self, phrase: str, *, most: int = 3) -> tuple[str, ...]:
        """The skills a phrase is most likely about, best first.

        Parameters
        ----------
        phrase : str
            Any text; only its first 600 characters are looked at.
        most : int, optional
            Most skills to suggest.

        Returns
        -------
        tuple of str
            Slugs; empty if the phrase is empty or fits nothing.

        Examples
        --------
        >>> SkillIndex([], words=WordList()).suggest("scales")
        ()
        """
        scores = self.scores(phrase)
        if not scores:
            return ()
        ranked = sorted(scores.items(), key=lambda item: (-item[1], item[0]))
        if ranked[0][1] < (_LEAST_BEST_SCORE_UNKNOWN if self._is_half_unknown(phrase) else _LEAST_BEST_SCORE):
            return ()
        floor = max(_LEAST_SCORE, _LEAST_OF_BEST_FRAC * ranked[0][1])
        return tuple(self._slugs[number] for number, score in ranked[: max(most, 0)] if score >= floor)

    def _is_half_unknown(self, phrase: str) -> bool:
        words = [stem for stem in self._stems_of_query(phrase) if not stem.isdigit()]
        return sum(stem not in self._rarity for stem in words) * 2 >= max(1, len(words))

    def _stems_of_query(self, phrase: str) -> list[str]:
        return self._without_idle(self._all_stems(phrase[:_LONGEST_PHRASE], mend=True))

    def scores(self, phrase: str) -> dict[int, float]:
        """The score of each skill that shares a word with the phrase.

        Parameters
        ----------
        phrase : str
            Any text.

        Returns
        -------
        dict of int to float
            By place in the list of skills; empty if no word is shared.

        Examples
        --------
        >>> SkillIndex([], words=WordList()).scores("scales")
        {}
        """
        whole = self._all_stems(phrase[:_LONGEST_PHRASE], mend=True)
        query = self._without_idle(whole)
        at = {stem: place for place, stem in reversed(list(enumerate(query)))}
        whole_text, text = _spaced(whole), _spaced(query)
        candidates = {number for stem in at for number in self._by_stem.get(stem, ())}
        found: dict[int, list[float]] = {}
        for number in candidates:
            entry = self._phrases[number]
            stems = set(entry.stems)
            rarity = sum(self._rarity[stem] for stem in stems)
            there = sum(self._rarity[stem] for stem in stems if stem in at)
            if entry.needs_idle_words:
                if _spaced(entry.whole) in whole_text:
                    frac = 1.0
                    there += _IDLE_RARITY * (len(entry.whole) - len(entry.stems))
                elif entry.stems[0].isdigit():
                    continue  # "in 4" says nothing in "unit 4"
                else:
                    frac = _WITHOUT_IDLE_FRAC
            elif there == rarity:
                places = [at[stem] for stem in stems]
                if _spaced(entry.stems) in text:
                    frac = 1.0
                elif max(places) - min(places) < len(stems) + _NEAR_WORDS:
                    frac = _SCATTERED_FRAC
                else:
                    frac = _FAR_FRAC
            elif len(stems) >= 3 and there >= _LEAST_PART_FRAC * rarity:
                frac = _PARTLY_FRAC
            else:
                continue
            found.setdefault(entry.skill, []).append(entry.weight * frac * there)
        scores: dict[int, float] = {}
        for number in range(len(self._slugs)):
            parts = sorted(found.get(number, ()), reverse=True)
            score = sum(part * _FURTHER_FRAC**place for place, part in enumerate(parts[:4]))
            score += self._shared(at, number)
            if score > 0:
                scores[number] = score
        return scores

    def _shared(self, present: Iterable[str], number: int) -> float:
        score = 0.0
        for stem in present:
            if stem.isdigit():
                continue  # a number alone is a page or a unit more often than a skill
            if stem in self._names[number]:
                score += self._name_weights[number] * self._rarity[stem]
            elif stem in self._definitions[number]:
                score += _DEFINITION_WORD_WEIGHT * self._rarity[stem]
            elif stem in self._lines[number]:
                score += _LINE_WORD_WEIGHT * self._rarity.get(stem, 1.0)
        return score


def _spaced(stems: Iterable[str]) -> str:
    return " " + " ".join(stems) + " "


def _same_by_first_word(
    same: Iterable[tuple[str, str]],
) -> dict[str, tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]]:
    """Ways of writing by their first stem, longest first."""
    found: dict[str, list[tuple[tuple[str, ...], tuple[str, ...]]]] = {}
    for variant, form in same:
        stems = tuple(_stem(token) for token in _tokens(_folded(variant)))
        if stems:
            found.setdefault(stems[0], []).append((stems, tuple(_tokens(_folded(form)))))
    return {first: tuple(sorted(pairs, key=lambda pair: -len(pair[0]))) for first, pairs in found.items()}


@lru_cache(maxsize=1)
def shipped_words() -> WordList:
    """The word list that comes with the program, read once.

    Returns
    -------
    WordList
        Of ``curriculum/content/words.yaml``.

    Examples
    --------
    >>> len(shipped_words().phrases) > 500
    True
    """
    return read_words(Path(__file__).resolve().parent.parent / "content" / "words.yaml")


@lru_cache(maxsize=16)
def _index(skills: tuple[SkillWords, ...], words: WordList) -> SkillIndex:
    return SkillIndex(skills, words=words)


def suggest_skills(
    phrase: str, *, skills: Sequence[SkillWords], words: WordList | None = None, most: int = 3
) -> tuple[str, ...]:
    """The skills a phrase is most likely about, best first.

    Parameters
    ----------
    phrase : str
        What is new in a unit, in the learner's words.
    skills : sequence of SkillWords
        The skills that may be suggested.
    words : WordList, optional
        Phrases for them; by default those that come with the program.
    most : int, optional
        Most skills to suggest.

    Returns
    -------
    tuple of str
        Slugs; empty if the phrase is empty or fits nothing.

    Examples
    --------
    >>> suggest_skills("bow at the end", skills=[SkillWords("own-bow", "Bowing at the end")])
    ('own-bow',)
    """
    return _index(tuple(skills), words if words is not None else shipped_words()).suggest(phrase, most=most)
