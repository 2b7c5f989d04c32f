"""Which finger strikes louder than the others, told apart from the room: a fit to the designed take.

The level of a note is taken to be the sum of what belongs to its **key** (instrument, room and microphone: the same each time as long as the
phone stays put), to its **finger**, and to the **moment** (a slow change over the take, straight and bent, and the first beats of bars).
Around it lie three kinds of chance: each time the hand is set down anew, all its notes may be a little louder or softer (*visit*); a finger
on one key may differ from its usual (*cell*: a louder note has another colour, and the room treats that colour differently); and each note
has its own. Notes that lie far off count less (Huber 1964, *Robust estimation of a location parameter*).

The two first spreads are not known, so the answer is averaged over what they may be, each possibility as likely as the levels make it
(restricted likelihood, even prior for their ratios to the third). The interval holds the middle 95 % of that mixture. Against the published
way of plugging in one estimate this keeps the interval honest where ten visits say little about their own spread.

A finger is *told* to be louder or softer where a stricter interval (five fingers are looked at, so 99 %) leaves zero out and the
excess reaches one decibel. What one loud finger does to the mean of the others is taken out before a second one is looked for.

A worked example: five fingers on nine keys, the thumb 3 dB louder, a room that favours one key by 8 dB.

>>> notes = [
...     FingerNote(finger=place + 1, pitch_midi=60 + start + place, visit=visit, onset_s=10.0 * visit + turn,
...                level_db=3.0 * (place == 0) + 8.0 * (start + place == 3) + 0.1 * ((visit + 2 * place + turn) % 3), is_first_beat=turn == 1)
...     for visit, start in enumerate([0, 1, 2, 3, 4] * 2) for turn in range(3) for place in range(5)
... ]
>>> [(found.finger, round(found.value_db)) for found in fit_fingers(notes).told]
[(1, 3)]
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray

from reviews.compare.designed import STARTS, start_of
from reviews.compare.errors import CompareError

Row = NDArray[np.float64]

FINGERS = (1, 2, 3, 4, 5)
# Notes that every finger needs: fewer, and one odd stroke decides.
LEAST_OF_A_FINGER = 6
# Notes from which a start is heard at all: fewer are chance agreements with something else.
LEAST_OF_A_VISIT = 4
# Combinations of key and finger beyond what the fit itself uses up, from which their spread can be told at all.
LEAST_SPARE_CELLS = 3
# Ratios of the spreads of visits and of cells to that of single notes that are weighed; beyond 3 the notes hardly matter any more.
RATIOS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
# Standard deviations from which a note counts less, and rounds of weighing: 2.5 keeps nearly all of a clean take.
HUBER, ROUNDS = 2.5, 4
# Shares of what could be that lie outside the interval shown, and outside the one that decides (five fingers share 5 %).
OUTSIDE_FRAC, OUTSIDE_TOLD_FRAC = 0.05, 0.01
# Decibels from which a difference is worth words: one just noticeable difference is 0.7 to 1.2 dB (rubric).
WORTH_DB = 1.0
# Half an interval, decibels, beyond which nothing is told of a finger unless it stands out all the same.
WIDE_DB = 1.5


class FingerDoubt(StrEnum):
    """Why nothing is said of fingers."""

    FEW_NOTES = "few_notes"
    APART = "apart"
    LEVELS_BENT = "levels_bent"
    NOT_ALONE = "not_alone"


@dataclass(frozen=True, slots=True)
class FingerNote:
    """A note of the designed take that was played as written. ``level_db`` is relative to anything, the same for all."""

    finger: int
    pitch_midi: int
    visit: int
    onset_s: float
    level_db: float
    is_first_beat: bool = False


@dataclass(frozen=True, slots=True)
class FingerExcess:
    """How much louder one finger is than the mean of the others, decibels, with its 95 % interval and the notes it rests on."""

    finger: int
    value_db: float
    low_db: float
    high_db: float
    count: int

    @property
    def half_db(self) -> float:
        """Half the interval."""
        return (self.high_db - self.low_db) / 2


@dataclass(frozen=True, slots=True)
class FingerFit:
    """What the designed take says.

    ``excess`` has one entry for each finger, thumb first; empty where ``doubt`` says why. ``told`` holds the fingers that stand out, the
    farthest first; the excess of a second one is against the three left. ``missing_visits`` are those with fewer notes than
    a start is known by.
    ``trend_db`` is how much louder the end is than the beginning.
    """

    excess: tuple[FingerExcess, ...]
    told: tuple[FingerExcess, ...] = ()
    trend_db: float = 0.0
    missing_visits: tuple[int, ...] = ()
    doubt: FingerDoubt | None = None

    @property
    def is_wide(self) -> bool:
        """Whether the interval of some finger is too wide for its size to be told."""
        return any(found.half_db > WIDE_DB for found in self.excess)

    @property
    def within_db(self) -> float:
        """How far any finger may lie from the others: the farthest end of all intervals; 0.0 without any."""
        return max((max(abs(found.low_db), abs(found.high_db)) for found in self.excess), default=0.0)


def fit_fingers(notes: Sequence[FingerNote], *, visits: int = 10) -> FingerFit:
    """Return each finger's excess over the mean of the others.

    Parameters
    ----------
    notes : sequence of FingerNote
        Any order. Levels in decibels.
    visits : int
        How often the hand was to be set down.

    Returns
    -------
    FingerFit
        Without notes, or where the keys do not tie all fingers together: no excess, and the doubt.

    Raises
    ------
    CompareError
        If a finger is none of 1 to 5, or a level is no number.

    Examples
    --------
    >>> fit_fingers([]).doubt
    <FingerDoubt.FEW_NOTES: 'few_notes'>
    """
    for note in notes:
        if note.finger not in FINGERS or not np.isfinite(note.level_db):
            message = f"Finger {note.finger} at {note.level_db} dB given; wanted 1 to 5 and a number."
            raise CompareError(message)
    heard = Counter(note.visit for note in notes)
    missing = tuple(visit for visit in range(visits) if heard[visit] < LEAST_OF_A_VISIT)
    counts = [sum(note.finger == finger for note in notes) for finger in FINGERS]
    if min(counts) < LEAST_OF_A_FINGER:
        return FingerFit((), missing_visits=missing, doubt=FingerDoubt.FEW_NOTES)
    keys = sorted({note.pitch_midi for note in notes})
    cells = sorted({(note.pitch_midi, note.finger) for note in notes})
    if not _are_tied(cells) or len(cells) - len(keys) - len(FINGERS) + 1 < LEAST_SPARE_CELLS:
        return FingerFit((), missing_visits=missing, doubt=FingerDoubt.APART)
    fit = _Fit(notes, keys=keys, cells=cells)
    excess = tuple(
        fit.excess(finger, others=[other for other in FINGERS if other != finger], count=count)
        for finger, count in zip(FINGERS, counts, strict=True)
    )
    return FingerFit(excess, told=tuple(_told(fit, counts)), trend_db=fit.trend_db, missing_visits=missing)


def _told(fit: "_Fit", counts: Sequence[int]) -> list[FingerExcess]:
    """Return the fingers that stand out, one after the other; each is left out when the next is looked for."""
    found: list[FingerExcess] = []
    left = list(FINGERS)
    while len(left) > 3:
        excess = {
            finger: fit.excess(finger, others=[other for other in left if other != finger], count=counts[finger - 1])
            for finger in left
        }
        # The farthest first: where that one cannot be told, what it does to the mean of the others must not be told of them.
        farthest = max(left, key=lambda finger: abs(excess[finger].value_db))
        others = [other for other in left if other != farthest]
        low, high = fit.interval(farthest, others=others, outside_frac=OUTSIDE_TOLD_FRAC)
        if low <= 0 <= high or abs(excess[farthest].value_db) < WORTH_DB:
            break
        found.append(excess[farthest])
        left.remove(farthest)
    return found


def _are_tied(cells: Sequence[tuple[int, int]]) -> bool:
    """Return whether keys and fingers hang together: from each finger to each other one by keys that both strike."""
    reached = {FINGERS[0]}
    grown = True
    while grown:
        keys = {key for key, finger in cells if finger in reached}
        more = {finger for key, finger in cells if key in keys} | reached
        grown, reached = more != reached, more
    return len(reached) == len(FINGERS)


NAMES = {1: "Finger 1 (the thumb)", 2: "Finger 2", 3: "Finger 3", 4: "Finger 4", 5: "Finger 5 (the little finger)"}
DOUBT_WORDS = {
    FingerDoubt.FEW_NOTES: "Too few notes of some finger were heard as written to tell a finger from the room.",
    FingerDoubt.APART: "Too few of the five places were heard to tell a finger from the room. Play all of them, without moving the phone.",
    FingerDoubt.LEVELS_BENT: "This phone cut off or evened out the loudness, so no finger can be told from the room. Move it further away, or switch that off.",
    FingerDoubt.NOT_ALONE: "Other notes were heard together with the single ones of this take, so no finger can be told from the room. Play it with one hand, without pedal.",
}
NOTHING = FingerExcess(finger=0, value_db=0.0, low_db=0.0, high_db=0.0, count=0)


def finger_words(fit: FingerFit) -> tuple[list[str], list[FingerExcess]]:
    """Return what a fit says in the learner's words, and the excess behind each sentence.

    Parameters
    ----------
    fit : FingerFit
        From :func:`fit_fingers`.

    Returns
    -------
    (list of str, list of FingerExcess)
        As many sentences as numbers, one at least; the last one names the starts that were not heard. Without an excess, its numbers are zero.

    Examples
    --------
    >>> one = FingerExcess(finger=1, value_db=3.0, low_db=2.1, high_db=3.9, count=20)
    >>> finger_words(FingerFit((one,), told=(one,)))[0]
    ['Finger 1 (the thumb) sounds 2.1 to 3.9 dB louder than the others: that is the finger, not the room.']
    """
    texts, chosen = _words(fit)
    missing = missing_words(fit.missing_visits)
    return [*texts[:-1], f"{texts[-1]} {missing}".strip()], chosen


def missing_words(visits: Sequence[int]) -> str:
    """Return which starts of the designed take were not heard.

    Parameters
    ----------
    visits : sequence of int
        0 to 9.

    Returns
    -------
    str
        A sentence or two; empty where all were heard. Nothing is named where not one was.

    Examples
    --------
    >>> missing_words([3]), missing_words([1, 3, 6, 8])
    ('The start on F was not heard the first time.', 'The starts on D and F were not heard.')
    """
    if len(visits) >= 2 * len(STARTS):
        return ""
    turns: dict[str, list[int]] = {}
    for visit in visits:
        turns.setdefault(start_of(visit), []).append(visit // len(STARTS))
    told = [([key for key, when in turns.items() if when == [0, 1]], "")]
    told += [([key for key, when in turns.items() if when == [turn]], f" the {name} time") for turn, name in enumerate(("first", "second"))]  # fmt: skip
    return " ".join(
        f"The start{'s' if len(keys) > 1 else ''} on {_listed(keys)} {'were' if len(keys) > 1 else 'was'} not heard{when}."
        for keys, when in told
        if keys
    )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _words(fit: FingerFit) -> tuple[list[str], list[FingerExcess]]:
    if fit.doubt is not None:
        return [DOUBT_WORDS[fit.doubt]], [NOTHING]
    if fit.told:
        texts = []
        for found in fit.told:
            low, high = sorted((abs(found.low_db), abs(found.high_db)))
            how = "louder" if found.value_db > 0 else "softer"
            texts.append(
                f"{NAMES[found.finger]} sounds {low:.1f} to {high:.1f} dB {how} than the others: that is the finger, not the room."
            )
        return texts, list(fit.told)
    farthest = max(fit.excess, key=lambda found: abs(found.value_db))
    if fit.is_wide:
        text = f"This take cannot tell one finger from another: each lies within {fit.within_db:.1f} dB of the others, and that is too wide to say more."
    else:
        text = f"No finger stands out: each lies within {fit.within_db:.1f} dB of the others."
    return [text], [farthest]


class _Fit:
    """The levels fitted for each pair of ratios: coefficients, their covariance, and how likely the pair is."""

    def __init__(self, notes: Sequence[FingerNote], *, keys: Sequence[int], cells: Sequence[tuple[int, int]]) -> None:
        levels = np.array([note.level_db for note in notes], dtype=np.float64)
        onsets = np.array([note.onset_s for note in notes])
        # From -1/2 at the beginning to 1/2 at the end.
        time = (onsets - (onsets.max() + onsets.min()) / 2) / max(float(np.ptp(onsets)), 1e-9)
        beats = np.array([note.is_first_beat for note in notes], float)
        columns = [np.array([note.finger == finger for note in notes], float) for finger in FINGERS]
        # The first key has no column of its own: a decibel more on all keys is a decibel less of all fingers.
        columns += [np.array([note.pitch_midi == key for note in notes], float) for key in keys[1:]]
        columns += [time, time**2] + ([beats] if 0 < beats.sum() < len(notes) else [])
        self._time_column = len(FINGERS) + len(keys) - 1
        self._design = np.stack(columns, axis=1)
        self._levels = levels - np.median(levels)
        of_visit = np.array([note.visit for note in notes])
        of_cell = np.array([cells.index((note.pitch_midi, note.finger)) for note in notes])
        # One column for each visit and for each cell: what they share.
        self._shared = np.concatenate(
            [of_visit[:, None] == np.unique(of_visit), of_cell[:, None] == np.arange(len(cells))], axis=1
        ).astype(float)
        is_visit = np.arange(self._shared.shape[1]) < len(np.unique(of_visit))
        self._pairs = np.array([np.where(is_visit, visit, cell) for visit in RATIOS for cell in RATIOS])
        self._weights = np.ones(len(notes))
        for _ in range(ROUNDS):
            self._solve()
            self._weigh()
        self._solve()

    def _solve(self) -> None:
        # By the matrix inversion lemma all is done on some thirty shared effects instead of on all notes.
        count, width = self._design.shape
        spare = count - width
        both = np.column_stack([self._design, self._levels])
        weighed = both * self._weights[:, None]
        own, mixed = both.T @ weighed, self._shared.T @ weighed
        apart = self._shared.T @ (self._shared * self._weights[:, None])
        scaled = self._pairs[:, :, None] * mixed
        middle = np.eye(len(apart)) + self._pairs[:, :, None] * apart * self._pairs[:, None, :]
        left = own - np.swapaxes(scaled, 1, 2) @ np.linalg.solve(middle, scaled)
        inner, cross = left[:, :-1, :-1], left[:, :-1, -1]
        inverse = np.linalg.pinv(inner, hermitian=True)
        self._places = np.einsum("kij,kj->ki", inverse, cross)
        rest = np.maximum(left[:, -1, -1] - np.einsum("ki,ki->k", cross, self._places), 0.0) + 1e-9
        likely = -0.5 * (np.linalg.slogdet(middle)[1] + np.linalg.slogdet(inner)[1] + spare * np.log(rest))
        # The covariance of Student's t with so many degrees of freedom, which a normal then stands for.
        self._spreads = inverse * (rest / max(spare - 2, 1))[:, None, None]
        chance = np.exp(likely - likely.max()) * np.outer(_widths(), _widths()).ravel()
        self._chance = chance / chance.sum()

    def _weigh(self) -> None:
        """Give notes that lie far from their own key, finger, visit and cell less weight."""
        best = int(np.argmax(self._chance))
        scaled = self._shared * self._pairs[best]
        off = self._levels - self._design @ self._places[best]
        middle = np.eye(scaled.shape[1]) + scaled.T @ (scaled * self._weights[:, None])
        own = off - scaled @ np.linalg.solve(middle, scaled.T @ (self._weights * off))
        scale = 1.4826 * float(np.median(np.abs(own))) + 1e-6
        self._weights = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(own), 1e-9))

    @property
    def trend_db(self) -> float:
        return float(self._chance @ self._places[:, self._time_column])

    def excess(self, finger: int, *, others: Sequence[int], count: int) -> FingerExcess:
        """Return a finger's excess over the mean of others."""
        middles, _ = self._contrast(finger, others)
        low, high = self.interval(finger, others=others, outside_frac=OUTSIDE_FRAC)
        return FingerExcess(finger, float(self._chance @ middles), low, high, count)

    def interval(self, finger: int, *, others: Sequence[int], outside_frac: float) -> tuple[float, float]:
        """Return the ends between which all but a share of the mixture lies."""
        middles, sds = self._contrast(finger, others)

        def below(at: float) -> float:
            shares = [0.5 * (1 + erf((at - middle) / (sd * sqrt(2)))) for middle, sd in zip(middles, sds, strict=True)]
            return float(self._chance @ np.array(shares))

        ends = []
        for wanted in (outside_frac / 2, 1 - outside_frac / 2):
            low, high = float((middles - 8 * sds).min()), float((middles + 8 * sds).max())
            while high - low > 1e-3:
                middle = (low + high) / 2
                low, high = (middle, high) if below(middle) < wanted else (low, middle)
            ends.append((low + high) / 2)
        return ends[0], ends[1]

    def _contrast(self, finger: int, others: Sequence[int]) -> tuple[Row, Row]:
        weights = np.zeros(self._design.shape[1])
        weights[[other - 1 for other in others]] = -1 / len(others)
        weights[finger - 1] = 1.0
        sds = np.sqrt(np.einsum("i,kij,j->k", weights, self._spreads, weights))
        return self._places @ weights, np.maximum(sds, 1e-6)


def _widths() -> Row:
    """Return how wide a stretch of possible ratios each of those weighed stands for."""
    ratios = np.array(RATIOS)
    edges = np.concatenate([[ratios[0]], (ratios[1:] + ratios[:-1]) / 2, [ratios[-1]]])
    return np.diff(edges)
