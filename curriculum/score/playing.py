"""The order in which bars are played, and the notes as they fall due.

Repeats, first and second endings, *D.C.*, *D.S.*, *Fine* and *Coda* are unfolded as they are usually read:

* a closing repeat goes back once (or as often as it says) to the last opening repeat, or to where the last repeat ended, or to the beginning;
* a bar under an ending is played in the passes that the ending names; after the first ending one goes back even where no second is marked;
* *D.C.* and *D.S.* are obeyed once, after the repeats before them; from then on repeats are not taken again, of endings only the last is
  played, *Fine* ends the piece, and *to coda* leaps to the coda.

A tie is followed along the playing order, so a note that is tied into both endings is one key to be pressed in each pass.

Worked example: two bars, the first repeated.

>>> from curriculum.score.making import PlannedNote, make_score, plain_bars
>>> from dataclasses import replace
>>> first, second = plain_bars(2)
>>> planned = [PlannedNote(Fraction(4 * i), Fraction(4), "C") for i in (0, 1)]
>>> score = make_score(planned, bars=[replace(first, repeat_times=2), second])
>>> [(note.id, note.written_id, note.onset_beat) for note in in_playing_order(score)]
[('b0n1', 'b0n1', Fraction(0, 1)), ('b0n1.2', 'b0n1', Fraction(4, 1)), ('b1n1', 'b1n1', Fraction(8, 1))]
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

from curriculum.score.errors import RefusalCode, ScoreContentError
from curriculum.score.guard import USUAL_LIMITS
from curriculum.score.notes import ZERO, Bar, DueNote, WrittenNote, WrittenScore

# Most notes after unfolding. Forty thousand are read at most; five times that is more than anybody plays at one sitting.
MOST_DUE_NOTES = 200_000
TOO_MANY_DUE = f"With its repeats the piece has more than {MOST_DUE_NOTES} notes."


def in_playing_order(score: WrittenScore) -> tuple[DueNote, ...]:
    """Return the notes in the order in which they fall due, repeats unfolded and ties merged.

    Parameters
    ----------
    score : WrittenScore
        Any score.

    Returns
    -------
    tuple of DueNote
        Sorted by onset, grace notes before the note they lean on, then by pitch. Empty for a score without notes.

    Raises
    ------
    ScoreContentError
        If repeats make the piece endless or absurdly long.

    Examples
    --------
    >>> in_playing_order(WrittenScore(bars=(), notes=()))
    ()
    """
    return _due(score, bar_order(score.bars))


def in_printed_order(score: WrittenScore) -> tuple[DueNote, ...]:
    """Return the notes with each bar once, as it is printed, ties merged.

    Parameters
    ----------
    score : WrittenScore
        Any score.

    Returns
    -------
    tuple of DueNote
        As :func:`in_playing_order`, with ``id`` equal to ``written_id`` throughout.

    Raises
    ------
    ScoreContentError
        If the score has absurdly many notes.

    Examples
    --------
    >>> in_printed_order(WrittenScore(bars=(), notes=()))
    ()
    """
    return _due(score, range(len(score.bars)))


def bar_order(bars: Sequence[Bar], *, most: int = USUAL_LIMITS.most_played_bars) -> tuple[int, ...]:
    """Return the indices of bars in the order in which they are played.

    Parameters
    ----------
    bars : sequence of Bar
        In printed order.
    most : int
        More bars than this are refused.

    Returns
    -------
    tuple of int
        Indices; empty for no bars.

    Raises
    ------
    ScoreContentError
        If more than ``most`` bars would be played.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from curriculum.score.making import plain_bars
    >>> a, b, c = plain_bars(3)
    >>> bar_order([a, replace(b, endings=(1,), repeat_times=2), replace(c, endings=(2,))])
    (0, 1, 0, 2)
    """
    played: list[int] = []
    segno = next((bar.index for bar in bars if bar.segno), None)
    coda = next((bar.index for bar in bars if bar.coda), None)
    at, section, turn = 0, 0, 1
    gone_back = False
    followed = _followed(bars)
    while at < len(bars):
        bar = bars[at]
        if bar.repeat_start and at != section:
            section, turn = at, 1
        if bar.endings and (followed[at] if gone_back else turn not in bar.endings):
            at += 1
            continue
        played.append(at)
        if len(played) > most:
            raise ScoreContentError(
                f"With its repeats the piece has more than {most} bars.",
                code=RefusalCode.ENDLESS_REPEAT,
                bar=bar.number,
            )
        if gone_back and bar.fine:
            break
        if gone_back and bar.to_coda and coda is not None and coda > at:
            at = coda
            continue
        if bar.repeat_times and not gone_back:
            if _goes_back(bars, at, turn, followed=followed[at]):
                at, turn = section, turn + 1
                continue
            section, turn = at + 1, 1
        elif bar.ending_stops and not followed[at]:
            section, turn = at + 1, 1
        if not gone_back and (bar.da_capo or (bar.dal_segno and segno is not None)):
            gone_back = True
            at = 0 if bar.da_capo else segno or 0
            section, turn = at, 1
            continue
        at += 1
    return tuple(played)


def check_length(bars: Sequence[Bar], *, struck: Mapping[int, int]) -> None:
    """Refuse what repeats would make endless, before any work is put into its notes.

    Parameters
    ----------
    bars : sequence of Bar
        In printed order.
    struck : mapping of int to int
        For the index of a bar, how many notes are struck in it each time; bars that are missing have none.

    Raises
    ------
    ScoreContentError
        If repeats make the piece endless or absurdly long.

    Examples
    --------
    >>> from curriculum.score.making import plain_bars
    >>> check_length(plain_bars(2), struck={0: 4})
    """
    if sum(struck.get(index, 0) for index in bar_order(bars)) > MOST_DUE_NOTES:
        raise ScoreContentError(TOO_MANY_DUE, code=RefusalCode.ENDLESS_REPEAT)


def _followed(bars: Sequence[Bar]) -> list[bool]:
    """Say for each bar whether behind the ending that it is under another ending begins at once."""
    found = [False] * len(bars)
    for at in range(len(bars) - 2, -1, -1):
        bar, coming = bars[at], bars[at + 1]
        is_same = coming.endings == bar.endings and not coming.ending_starts
        found[at] = found[at + 1] if is_same else bool(coming.endings)
    return found


def _goes_back(bars: Sequence[Bar], at: int, turn: int, *, followed: bool) -> bool:
    bar = bars[at]
    if not bar.endings:
        return turn < bar.repeat_times
    if turn < max(bar.endings):
        return True
    if followed:
        others = (later.endings for later in bars[at + 1 :] if later.endings and later.endings != bar.endings)
        coming = next(others, ())
        if coming:
            return turn + 1 in coming or max(coming) > turn
    return max(bar.endings) == 1


def _due(score: WrittenScore, order: Iterable[int]) -> tuple[DueNote, ...]:
    heads: list[list[WrittenNote]] = [[] for _ in score.bars]
    for note in score.notes:
        heads[note.bar].append(note)
    for in_bar in heads:
        in_bar.sort(key=lambda note: (note.offset_beat, note.grace == 0, note.grace, note.pitch_midi))
    found: list[_Key] = []
    waiting: dict[int, list[_Key]] = {}
    passes: dict[int, int] = {}
    start: Fraction | None = None
    for played, index in enumerate(order):
        bar = score.bars[index]
        if start is None:
            start = -bar.length_beat if bar.pickup else ZERO
        passes[index] = passes.get(index, 0) + 1
        for head in heads[index]:
            onset = start + head.offset_beat
            key = _tied_to(waiting, head, onset=onset, played=played) if head.tie_stops else None
            if key is None:
                key = _Key(head, onset, passes[index])
                found.append(key)
            else:
                key.heads.append(head.id)
            if not head.grace:
                key.end = onset + head.duration_beat
            if head.tie_starts:
                key.voice, key.played = head.voice, played
                waiting.setdefault(head.pitch_midi, []).append(key)
        if len(found) > MOST_DUE_NOTES:
            raise ScoreContentError(TOO_MANY_DUE, code=RefusalCode.ENDLESS_REPEAT)
        start += bar.length_beat
    found.sort(key=lambda key: (key.onset, key.head.grace == 0, key.head.grace, key.head.pitch_midi))
    return tuple(key.as_due(score.bars) for key in found)


class _Key:
    """A key that is held down while ties are followed."""

    __slots__ = ("end", "head", "heads", "onset", "played", "turn", "voice")

    def __init__(self, head: WrittenNote, onset: Fraction, turn: int) -> None:
        self.head = head
        self.heads = [head.id]
        self.onset = onset
        self.end = onset
        self.turn = turn
        self.voice = head.voice
        self.played = 0

    def as_due(self, bars: Sequence[Bar]) -> DueNote:
        head = self.head
        return DueNote(
            head.id if self.turn == 1 else f"{head.id}.{self.turn}",
            head.id,
            tuple(self.heads),
            bars[head.bar].number,
            head.bar,
            head.offset_beat + 1,
            self.onset,
            self.end - self.onset,
            head.pitch_midi,
            head.hand,
            head.finger,
            head.grace > 0,
        )


def _tied_to(waiting: dict[int, list[_Key]], head: WrittenNote, *, onset: Fraction, played: int) -> _Key | None:
    """Take the key that a head is tied to: one that ends here, in the same voice if there is one."""
    keys = waiting.get(head.pitch_midi)
    if not keys:
        return None
    # A bar that was filled up to its metre leaves a gap in front of the next one, which a tie bridges.
    here = [
        key
        for key in keys
        if key.end == onset or (key.played == played - 1 and head.offset_beat == 0 and key.end <= onset)
    ]
    if not here:
        return None
    best = next((key for key in here if key.voice == head.voice), here[0])
    keys.remove(best)
    return best
