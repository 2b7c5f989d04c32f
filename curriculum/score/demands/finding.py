"""All demands of a score."""

from curriculum.score.demands.digest import digest
from curriculum.score.demands.keyboard import keyboard_finds
from curriculum.score.demands.page import page_finds
from curriculum.score.demands.rhythm import rhythm_finds
from curriculum.score.demands.together import together_finds
from curriculum.score.demands.vocabulary import Demand, Find, Instrument, detector, detectors
from curriculum.score.notes import WrittenScore

FULL_SIZE = Instrument()
# Where a warning says that hands may be wrong, whatever rests on them is a question.
DOUBTFUL_HANDS_SURE = 0.5


def demands_of(score: WrittenScore, *, instrument: Instrument = FULL_SIZE) -> tuple[Demand, ...]:
    """Return what a score asks of whoever plays it.

    Parameters
    ----------
    score : WrittenScore
        As printed: a repeated bar counts once. Notes of a hand that is not known ask nothing of a hand.
    instrument : Instrument
        What range and pedal are held against.

    Returns
    -------
    tuple of Demand
        One for each detector that found something, in the order of the closed list; empty for a score without notes.

    Examples
    --------
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> score = make_pattern(Pattern(kind="bass", hands="left", value="1/2", progression="I"))
    >>> [(demand.detector, demand.skill, demand.bars, demand.sure) for demand in demands_of(score) if demand.sure < 0.9]
    [('alberti', 'rocking-bass', ('1',), 0.7)]
    """
    if not score.notes:
        return ()
    found = digest(score)
    finds: dict[str, Find] = {}
    for find in (
        *page_finds(found, instrument=instrument),
        *rhythm_finds(found),
        *keyboard_finds(found),
        *together_finds(found),
    ):
        if find.bars:
            finds[find.key] = find
    return tuple(
        _demand(finds[key], score=score, is_doubtful=found.has_doubtful_hands) for key in detectors() if key in finds
    )


def _demand(find: Find, *, score: WrittenScore, is_doubtful: bool) -> Demand:
    known = detector(find.key)
    sure = known.sure_frac if find.sure_frac is None else min(known.sure_frac, find.sure_frac)
    if is_doubtful and known.needs_hands:
        sure = min(sure, DOUBTFUL_HANDS_SURE)
    numbers = dict.fromkeys(score.bars[bar].number for bar in sorted(find.bars))
    return Demand(detector=find.key, skill=known.skill, bars=tuple(numbers), detail=find.detail, sure=sure)
