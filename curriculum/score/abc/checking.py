"""What two boxes hold, bar by bar, while somebody types."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from curriculum.score.abc.scoring import (
    QUARTER,
    box_defaults,
    choose_hands,
    is_whole_tune,
    number_bars,
    of_hand,
    read_two_hands,
    settle,
)
from curriculum.score.abc.tune import Tune, TuneReader
from curriculum.score.abc.voice import VoiceReader
from curriculum.score.answers import NO_ANSWERS
from curriculum.score.errors import RefusalCode, ScoreError, TypedScoreError
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits
from curriculum.score.making import COMMON_TIME, NO_SIGNATURE
from curriculum.score.notes import Hand, Key, Metre, WrittenScore

_VALUES = {
    Fraction(4): ("whole note", "whole notes"), Fraction(2): ("half note", "half notes"), Fraction(1): ("quarter", "quarters"),
    Fraction(1, 2): ("eighth", "eighths"), Fraction(1, 4): ("sixteenth", "sixteenths"), Fraction(1, 8): ("32nd", "32nds"),
    Fraction(1, 16): ("64th", "64ths"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class CheckedBar:
    """One typed bar: its printed number, where it begins in the text, how long it is and should be, in quarters."""

    number: str
    line: int
    column: int
    length_beat: Fraction
    wanted_beat: Fraction | None  # None in free metre
    problem: str = ""  # empty: the bar is right

    @property
    def words(self) -> str:
        """How full the bar is: ``full``, ``too short by 1 quarter``, ``pickup of 2 eighths``."""
        wanted = self.wanted_beat
        if wanted is None:
            return "free"
        if self.length_beat == wanted:
            return "full"
        if self.length_beat > wanted:
            return f"too long by {say_beats(self.length_beat - wanted)}"
        if self.problem:
            return f"too short by {say_beats(wanted - self.length_beat)}"
        # Short, and rightly so: another bar makes it full.
        return f"{'pickup' if self.number == '0' else 'part'} of {say_beats(self.length_beat)}"


@dataclass(frozen=True, slots=True)
class CheckedHand:
    """What a box holds. ``error`` is what could not be understood at all; then ``bars`` are those before it."""

    bars: tuple[CheckedBar, ...]
    error: TypedScoreError | None = None

    @property
    def is_right(self) -> bool:
        """Whether there are bars and nothing is wrong with them."""
        return self.error is None and bool(self.bars) and not any(bar.problem for bar in self.bars)


@dataclass(frozen=True, slots=True)
class ComparedBar:
    """The same bar in both hands. ``problem`` is what differs between them; a hand that lacks the bar is None."""

    number: str
    right: CheckedBar | None
    left: CheckedBar | None
    problem: str = ""

    @property
    def is_right(self) -> bool:
        """Whether nothing is wrong with the bar."""
        return not (self.problem or any(bar.problem for bar in (self.right, self.left) if bar is not None))


@dataclass(frozen=True, slots=True)
class CheckedBoxes:
    """What two boxes hold together.

    Attributes
    ----------
    right, left : CheckedHand
        Without bars where nothing is typed.
    bars : tuple of ComparedBar
        As many as the longer hand has.
    error : ScoreError or None
        What keeps the boxes from being a score; the first of several.
    written : WrittenScore or None
        The score, where there is no error.
    sketch : WrittenScore or None
        What can be shown already: the score, or one whose last bars, not finished yet, were filled up with rests.
    """

    right: CheckedHand
    left: CheckedHand
    bars: tuple[ComparedBar, ...]
    error: ScoreError | None
    written: WrittenScore | None
    sketch: WrittenScore | None


def say_beats(length_beat: Fraction) -> str:
    """Return a length in words, counted in the largest note value that goes into it.

    Parameters
    ----------
    length_beat : Fraction
        In quarters, above 0.

    Returns
    -------
    str
        Quarters are counted first, as one counts them at the piano.

    Examples
    --------
    >>> say_beats(Fraction(3)), say_beats(Fraction(1, 2)), say_beats(Fraction(2, 3))
    ('3 quarters', '1 eighth', '2/3 of a quarter')
    """
    for value in (Fraction(1), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8), Fraction(1, 16)):
        count, left = divmod(length_beat, value)
        if not left:
            one, several = _VALUES[value]
            return f"1 {one}" if count == 1 else f"{count} {several}"
    return f"{length_beat} of a quarter"


def check_hand(
    text: str,
    *,
    hand: Hand = "right",
    metre: Metre | None = COMMON_TIME,
    key: Key = NO_SIGNATURE,
    unit_beat: Fraction = QUARTER,
    limits: ScoreLimits = USUAL_LIMITS,
) -> CheckedHand:
    """Return each bar of one box with what is wrong with it.

    Parameters
    ----------
    text : str
        Typed notes of one hand. Of a tune with several voices the first is checked.
    hand : str
        Whose box it is.
    metre, key, unit_beat, limits
        As for :func:`read_two_hands`.

    Returns
    -------
    CheckedHand
        No bars for an empty text. Errors are returned, not raised.

    Examples
    --------
    >>> [(bar.number, bar.problem) for bar in check_hand("CDEF|GAB|c4|").bars]
    [('1', ''), ('2', 'Bar 2 holds 3 quarters; the time signature asks for 4.'), ('3', '')]
    >>> check_hand("CDQ|").error.where
    'right hand, line 1, column 3'
    """
    tune, error = _read(text, hand=hand, metre=metre, key=key, unit_beat=unit_beat, limits=limits)
    voices = list(tune.voices.values())
    return CheckedHand(_checked(voices[0], error=error) if voices else (), error)


def check_boxes(
    right: str,
    left: str,
    *,
    metre: Metre | None = COMMON_TIME,
    key: Key = NO_SIGNATURE,
    unit_beat: Fraction = QUARTER,
    bpm: Fraction | None = None,
    title: str = "",
    limits: ScoreLimits = USUAL_LIMITS,
) -> CheckedBoxes:
    """Return what two boxes hold bar by bar, what is wrong, and what can be shown of them already.

    Parameters
    ----------
    right, left : str
        Typed notes. A whole tune with two voices may stand in one box alone; its voices are compared then.
    metre, key, unit_beat, bpm, title, limits
        As for :func:`read_two_hands`.

    Returns
    -------
    CheckedBoxes
        Errors are returned, not raised.

    Examples
    --------
    >>> found = check_boxes("CDEF|GAB", "C,4|")
    >>> [(bar.number, bar.right.words, bar.left and bar.left.words, bar.problem) for bar in found.bars]
    [('1', 'full', 'full', ''), ('2', 'too short by 1 quarter', None, 'missing in the left hand')]
    >>> found.error.where, found.written, [bar.length_beat for bar in found.sketch.bars]
    ('right hand, line 1, column 6', None, [Fraction(4, 1), Fraction(4, 1)])
    """
    hands = _hands_of(right, left, metre=metre, key=key, unit_beat=unit_beat, limits=limits)
    one, other = hands
    bars = _compared(one, other)
    error: ScoreError | None = one.error or other.error
    written = None
    if error is None:
        try:
            written = read_two_hands(
                right, left, metre=metre, key=key, unit_beat=unit_beat, bpm=bpm, title=title, limits=limits
            )
        except ScoreError as found:
            error = found
    sketch = written
    if one.error is None and other.error is None and written is None:
        filled = _filled_up((right, left), hands)
        if filled is not None:
            sketch = _read_sketch(filled, metre=metre, key=key, unit_beat=unit_beat, bpm=bpm, limits=limits)
    return CheckedBoxes(one, other, bars, error, written, sketch)


def _read(
    text: str, *, hand: Hand, metre: Metre | None, key: Key, unit_beat: Fraction, limits: ScoreLimits
) -> tuple[Tune, TypedScoreError | None]:
    if len(text) > limits.most_text:
        error = TypedScoreError(f"The text has more than {limits.most_text} characters.", code=RefusalCode.TOO_LARGE)
        return Tune(), of_hand(hand, error)
    reader = TuneReader(box_defaults(text, metre=metre, key=key, unit_beat=unit_beat), limits=limits)
    try:
        reader.read(text)
    except TypedScoreError as found:
        return reader.tune, of_hand(hand, found)
    return reader.tune, None


def _checked(voice: VoiceReader, *, error: TypedScoreError | None) -> tuple[CheckedBar, ...]:
    bars = voice.bars
    problems: dict[int, str] = {}
    if error is not None:
        number_bars(bars)  # Whether the last of them is too short cannot be told yet.
    else:
        problems = {index: str(problem) for index, problem in settle(bars, warn=None)}
    return tuple(
        CheckedBar(bar.number, bar.line, bar.column, bar.content, bar.full, problems.get(index, ""))
        for index, bar in enumerate(bars)
    )


def _hands_of(
    right: str, left: str, *, metre: Metre | None, key: Key, unit_beat: Fraction, limits: ScoreLimits
) -> tuple[CheckedHand, CheckedHand]:
    found: dict[Hand, CheckedHand] = {"right": CheckedHand(()), "left": CheckedHand(())}
    boxes: list[tuple[Hand, str]] = [("right", right), ("left", left)]
    is_alone = not (right.strip() and left.strip())
    for hand, text in boxes:
        tune, error = _read(text, hand=hand, metre=metre, key=key, unit_beat=unit_beat, limits=limits)
        voices = [voice for voice in tune.voices.values() if voice.bars]
        if len(voices) == 2 and is_alone and error is None:
            both = _both_hands(tune)
            if both is not None:
                return both
        if voices or error is not None:
            found[hand] = CheckedHand(_checked(voices[0], error=error) if voices else (), error)
    return found["right"], found["left"]


def _both_hands(tune: Tune) -> tuple[CheckedHand, CheckedHand] | None:
    """Return both hands of a tune with two voices, or None where one of them has no notes."""
    try:
        voices, _ = choose_hands(tune, answers=NO_ANSWERS)
    except ScoreError:
        return None
    if len(voices) < 2:
        return None
    return CheckedHand(_checked(voices[0], error=None)), CheckedHand(_checked(voices[1], error=None))


def _compared(right: CheckedHand, left: CheckedHand) -> tuple[ComparedBar, ...]:
    found = []
    has_both = bool(right.bars and left.bars)
    for index in range(max(len(right.bars), len(left.bars))):
        one = right.bars[index] if index < len(right.bars) else None
        other = left.bars[index] if index < len(left.bars) else None
        problem = ""
        if one is None or other is None:
            # Behind a fault the bars are not known, so nothing is missing there.
            if has_both and right.error is None and left.error is None:
                problem = f"missing in the {'right' if one is None else 'left'} hand"
        elif one.length_beat != other.length_beat and not (one.problem or other.problem):
            problem = f"{say_beats(one.length_beat)} in the right hand, {say_beats(other.length_beat)} in the left"
        number = one.number if one is not None else other.number if other is not None else ""
        found.append(ComparedBar(number, one, other, problem))
    return tuple(found)


# -- what can be shown already -----------------------------------------------------------------------------------------


def _filled_up(texts: tuple[str, str], hands: tuple[CheckedHand, CheckedHand]) -> tuple[str, str] | None:
    """Return both texts with rests for what is not typed yet, or None where something before the end is wrong."""
    filled: list[str] = []
    lengths = _lengths(hands)
    if lengths is None:
        return None
    for text, hand in zip(texts, hands, strict=True):
        if not text.strip():
            filled.append(text)
            continue
        if is_whole_tune(text) or not hand.bars:
            return None
        last = len(hand.bars) - 1
        missing = lengths[last] - hand.bars[last].length_beat
        rests = f"z{missing}|" if missing else "|"
        rests += "".join(f"z{length}|" for length in lengths[last + 1 :])
        filled.append(f"{text}\n[L:1/4]{rests}")
    return filled[0], filled[1]


def _lengths(hands: Sequence[CheckedHand]) -> list[Fraction] | None:
    """Return how long each bar becomes, or None where one is wrong that cannot be filled up."""
    found: list[Fraction] = []
    for index in range(max(len(hand.bars) for hand in hands)):
        bars = [hand.bars[index] for hand in hands if index < len(hand.bars)]
        unfinished = [hand.bars[index] for hand in hands if index == len(hand.bars) - 1 and hand.bars[index].problem]
        if any(bar.problem and bar not in unfinished for bar in bars):
            return None
        wanted = {bar.length_beat for bar in bars if not bar.problem}
        if not wanted:
            wanted = {bar.wanted_beat for bar in bars if bar.wanted_beat is not None}
        if len(wanted) != 1:
            return None
        length = wanted.pop()
        if any(bar.length_beat > length for bar in unfinished):
            return None
        found.append(length)
    return found


def _read_sketch(
    texts: tuple[str, str],
    *,
    metre: Metre | None,
    key: Key,
    unit_beat: Fraction,
    bpm: Fraction | None,
    limits: ScoreLimits,
) -> WrittenScore | None:
    try:
        return read_two_hands(*texts, metre=metre, key=key, unit_beat=unit_beat, bpm=bpm, limits=limits)
    except ScoreError:
        return None
