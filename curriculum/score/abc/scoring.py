"""Typed voices into a written score: bars checked and numbered, hands put together."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from curriculum.score.abc.fields import ClefField, TempoField
from curriculum.score.abc.tune import Defaults, Tune, TuneReader
from curriculum.score.abc.voice import Stroke, TypedBar, VoiceReader
from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.errors import (
    RefusalCode,
    ScoreContentError,
    ScoreMakingError,
    ScoreTooLargeError,
    TypedScoreError,
    WarningCode,
)
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits
from curriculum.score.making import COMMON_TIME, NO_SIGNATURE, PlannedNote, make_score
from curriculum.score.notes import (
    STEP_SEMITONES,
    ZERO,
    Bar,
    Clef,
    Hand,
    Key,
    Mark,
    MarkKind,
    Metre,
    ScoreWarning,
    Tempo,
    WrittenScore,
)

# A typed letter is a quarter unless something says otherwise: beginners' bars are mostly quarters, and need no length then.
QUARTER = Fraction(1)

# A pickup inside a piece is made full by the end of its section, which is looked for within so many bars.
LONGEST_SECTION = 64

_RIGHT = re.compile(r"\b(right|rh|r\.h\.|treble|upper)\b", re.IGNORECASE)
_LEFT = re.compile(r"\b(left|lh|l\.h\.|bass|lower)\b", re.IGNORECASE)
_HAS_NUMBER = re.compile(r"^X:", re.MULTILINE)
_UNITS = {1: "whole notes", 2: "half notes", 4: "quarters", 8: "eighths", 16: "sixteenths", 32: "32nds", 64: "64ths"}
_OTHER: dict[Hand, Hand] = {"right": "left", "left": "right"}


def read_abc(text: str, *, answers: Answers = NO_ANSWERS, limits: ScoreLimits = USUAL_LIMITS) -> WrittenScore:
    r"""Return the first tune of an ABC text.

    Parameters
    ----------
    text : str
        ABC 2.1 with ``X:`` and ``K:``; the subset is described in the package.
    answers : Answers
        ``hand`` for a tune of one voice; ``part`` names a voice, or two with a comma between, upper first.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    WrittenScore
        One staff for one voice, two for two.

    Raises
    ------
    TypedScoreError
        If something cannot be understood, or two voices differ in their bars; line and column say where.
    ScoreContentError
        If there are no notes, or more than two voices.
    ScoreTooLargeError
        If the text is too long.

    Examples
    --------
    >>> score = read_abc("X:1\nM:C\nL:1/4\nK:D\nV:1\nD E F2|\nV:2 bass\nD,4|\n")
    >>> [(note.hand, note.pitch_midi) for note in score.notes]
    [('right', 62), ('right', 64), ('right', 66), ('left', 50)]
    """
    _check_size(text, limits=limits)
    tune = TuneReader(Defaults(), limits=limits).read(text)
    voices, hands = choose_hands(tune, answers=answers)
    score = _score(tune, voices, hands, is_strict=False)
    if len(voices) == 1 and hands[0] is not None and answers.hand is None and not _named_hand(voices[0].staff.name):
        warning = ScoreWarning(WarningCode.WHICH_HAND, "", "The tune has one voice. Which hand plays it?")
        notes = tuple(replace(note, hand=None) for note in score.notes)
        return replace(score, notes=notes, warnings=(warning, *score.warnings))
    return score


def read_two_hands(
    right: str,
    left: str,
    *,
    metre: Metre | None = COMMON_TIME,
    key: Key = NO_SIGNATURE,
    unit_beat: Fraction = QUARTER,
    bpm: Fraction | None = None,
    title: str = "",
    limits: ScoreLimits = USUAL_LIMITS,
) -> WrittenScore:
    """Return a score from two boxes, one for each hand.

    Each box holds music as in ABC, and may begin with header lines (``M:``, ``L:``, ``Q:``, ``K:``) that go before what the arguments say.
    One box may be empty: then the score is for one hand. A whole tune with two voices may stand in one box alone.

    Parameters
    ----------
    right, left : str
        Typed notes.
    metre : Metre or None
        None is free metre.
    key : Key
        Signature of both hands.
    unit_beat : Fraction
        Length of a letter without a number, in quarters.
    bpm : Fraction or None
        Quarters a minute, if known.
    title : str
        Passed on where the text has none.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    WrittenScore
        With a warning for every doubt.

    Raises
    ------
    TypedScoreError
        If something cannot be understood, a bar is too short or too long, or the hands differ; ``hand``, line and column say where.
    ScoreContentError
        If there are no notes.
    ScoreTooLargeError
        If the text is too long.

    Examples
    --------
    >>> score = read_two_hands("CDEF|G4|]", "C,2 C,2|C,4|]", bpm=Fraction(60))
    >>> len(score.bars), score.bpm, [note.pitch_midi for note in score.notes if note.hand == "left"]
    (2, Fraction(60, 1), [48, 48, 48])
    """
    _check_size(right + left, limits=limits)
    boxes: list[tuple[Hand, str]] = [("right", right), ("left", left)]
    filled = [(hand, text) for hand, text in boxes if text.strip()]
    if not filled:
        raise ScoreContentError("Nothing is typed yet.", code=RefusalCode.NO_NOTES)
    tunes: list[Tune] = []
    voices: list[VoiceReader] = []
    hands: list[Hand] = []
    for hand, text in filled:
        defaults = box_defaults(text, metre=metre, key=key, unit_beat=unit_beat)
        tune = _read_box(text, hand=hand, defaults=defaults, limits=limits)
        tunes.append(tune)
        found = [voice for voice in tune.voices.values() if voice.bars]
        if len(found) == 2 and len(filled) == 1:
            voices, chosen = choose_hands(tune, answers=NO_ANSWERS)
            hands = [one for one in chosen if one is not None]
        elif len(found) > 1:
            error = TypedScoreError(f"There are {len(found)} voices in this box; it holds one hand.")
            error.hand = hand
            raise error
        else:
            voices.extend(found)
            hands.extend([hand] * len(found))
    first = tunes[0]
    if len(tunes) > 1:
        first.tempo = first.tempo or tunes[1].tempo
        first.title = first.title or tunes[1].title
        first.warnings.extend(tunes[1].warnings)
    score = _score(first, voices, hands, bpm=bpm)
    return score if score.title or not title else replace(score, title=" ".join(title.split())[:200])


def _check_size(text: str, *, limits: ScoreLimits) -> None:
    if len(text) > limits.most_text:
        raise ScoreTooLargeError(f"The text has more than {limits.most_text} characters.")


def of_hand(hand: Hand, error: TypedScoreError) -> TypedScoreError:
    """Return the error, which now knows whose box it is in."""
    error.hand = hand
    return error


def is_whole_tune(text: str) -> bool:
    """Say whether a box holds a tune as files have it; then it says everything itself."""
    return _HAS_NUMBER.search(text) is not None


def box_defaults(text: str, *, metre: Metre | None, key: Key, unit_beat: Fraction) -> Defaults:
    """Return what holds in a box where its text says nothing: what was chosen, or for a whole tune what the standard says."""
    return Defaults() if is_whole_tune(text) else Defaults(metre, key, unit_beat, needs_key=False)


def _read_box(text: str, *, hand: Hand, defaults: Defaults, limits: ScoreLimits) -> Tune:
    try:
        tune = TuneReader(defaults, limits=limits).read(text)
    except TypedScoreError as error:
        raise of_hand(hand, error)  # noqa: B904 - the same error, which now knows its box
    tune.warnings = [
        replace(
            known,
            where=f"{hand} hand, {known.where}",
            text=f"{hand.capitalize()} hand, {known.text[:1].lower()}{known.text[1:]}",
        )
        for known in tune.warnings
    ]
    return tune


# -- which voice is which hand -----------------------------------------------------------------------------------------


def _named_hand(name: str) -> Hand | None:
    if _RIGHT.search(name) and not _LEFT.search(name):
        return "right"
    if _LEFT.search(name) and not _RIGHT.search(name):
        return "left"
    return None


def choose_hands(tune: Tune, *, answers: Answers) -> tuple[list[VoiceReader], list[Hand | None]]:
    """Return one or two voices with the hands that play them, upper first; where that is not sure, a warning of the tune asks."""
    named = {
        name: voice
        for name, voice in tune.voices.items()
        if any(stroke.heads for bar in voice.bars for stroke in bar.strokes)
    }
    if answers.part:
        wanted = [part.strip() for part in answers.part.split(",")]
        named = {name: named[name] for name in wanted if name in named}
    if not named:
        raise ScoreContentError("The tune has no notes.", code=RefusalCode.NO_NOTES)
    if len(named) > 2:
        names = ", ".join(f"{voice.staff.name or 'without a name'} ({name})" for name, voice in named.items())
        raise ScoreContentError(
            f"The tune has {len(named)} voices: {names[:300]}. Which do you play?", code=RefusalCode.WHICH_PART
        )
    voices = list(named.values())
    labels = [_named_hand(f"{name} {voice.staff.name}") for name, voice in named.items()]
    if len(voices) == 1:
        return voices, [answers.hand or labels[0] or "right"]
    low = [voice.staff.sign == "F" for voice in voices]
    if labels == ["left", "right"] or (labels == [None, None] and low == [True, False]):
        voices.reverse()
    elif labels != ["right", "left"] and low != [False, True] and not answers.part:
        tune.warnings.append(
            ScoreWarning(
                WarningCode.HAND_DOUBTFUL,
                "",
                "Two voices were taken for the two hands, the first for the right. Is that right?",
            )
        )
    return voices, ["right", "left"]


# -- bars --------------------------------------------------------------------------------------------------------------


def number_bars(bars: Sequence[TypedBar]) -> None:
    """Give bars their printed numbers: a pickup is 0, and both halves of a split bar have one number."""
    number = 0
    for index, bar in enumerate(bars):
        before = bars[index - 1] if index else None
        if index == 0 and bar.full is not None and bar.content < bar.full and len(bars) > 1:
            bar.number = "0"
            continue
        is_second_half = (
            before is not None
            and bar.full is not None
            and index > 1
            and before.content < bar.full
            and bar.content < bar.full
            and before.content + bar.content == bar.full
            and (before.style or bar.repeat_start or bar.ending_starts)
            and bars[index - 2].number != before.number
        )
        if not is_second_half:
            number += 1
        bar.number = str(number)


def settle(bars: Sequence[TypedBar], *, warn: list[ScoreWarning] | None) -> list[tuple[int, TypedScoreError]]:
    """Number the bars, and return the indices of those whose length is wrong."""
    number_bars(bars)
    found = []
    section = 0
    for index, bar in enumerate(bars):
        if bar.repeat_start:
            section = index
        full = bar.full
        if full is None or bar.content == full:
            continue
        if bar.content < full and _may_be_short(bars, index, section=section, warn=warn):
            continue
        found.append((index, _wrong_length(bar, full)))
    return found


def _may_be_short(bars: Sequence[TypedBar], index: int, *, section: int, warn: list[ScoreWarning] | None) -> bool:
    bar = bars[index]
    full = bar.full
    before = bars[index - 1] if index else None
    after = bars[index + 1] if index + 1 < len(bars) else None
    if before is None:
        return after is not None
    closes = bool(bar.style) or bar.ending_stops or (after is not None and (after.repeat_start or after.ending_starts))
    opens = bar.repeat_start or bar.ending_starts or bool(before.style)
    partners: list[TypedBar | None] = []
    if closes or after is None:
        partners += [after, bars[section], bars[0]]
    if opens:
        partners.append(before)
        partners += [other for other in bars[index + 1 : index + 1 + LONGEST_SECTION] if other.style]
    if any(other is not None and other is not bar and other.content + bar.content == full for other in partners):
        return True
    if opens and after is not None:
        if warn is not None:
            text = "it is shorter than the time signature asks for, and no other bar makes it full."
            warn.append(ScoreWarning(WarningCode.BAR_SHORT, f"bar {bar.number}", f"Bar {bar.number}: {text}", (index,)))
        return True
    return False


def _wrong_length(bar: TypedBar, full: Fraction) -> TypedScoreError:
    beat_type = bar.metre.beat_type if bar.metre is not None else 4
    unit = Fraction(4, beat_type)
    return TypedScoreError(
        f"Bar {bar.number} holds {_counted(bar.content / unit)} {_UNITS[beat_type]}; "
        f"the time signature asks for {_counted(full / unit)}.",
        code=RefusalCode.BAR_LENGTH,
        bar=bar.number,
        line=bar.line,
        column=bar.column,
    )


def _let_pass(bar: TypedBar, problem: TypedScoreError, *, index: int) -> ScoreWarning:
    """Read a bar of a file with a warning, as in files of other kinds: longer than its metre, or filled up with a rest."""
    is_short = bar.full is not None and bar.content < bar.full
    if is_short and bar.full is not None:
        bar.content = bar.full
    code = WarningCode.BAR_SHORT if is_short else WarningCode.BAR_LONG
    end = " It was filled up with a rest." if is_short else ""
    return ScoreWarning(code, problem.where, f"{problem}{end}", (index,))


def _counted(number: Fraction) -> str:
    whole, part = divmod(number, 1)
    if not part:
        return str(whole)
    return f"{whole} {part}" if whole else str(part)


def _put_together(voices: Sequence[VoiceReader], hands: Sequence[Hand]) -> None:
    """Check that two hands have the same bars, and give both what is marked in one."""
    upper, lower = voices
    if len(upper.bars) != len(lower.bars) and (upper.bars[0].number == "0") != (lower.bars[0].number == "0"):
        raise _surplus(voices, hands, min(len(upper.bars), len(lower.bars)))
    for index in range(max(len(upper.bars), len(lower.bars))):
        if index >= len(upper.bars) or index >= len(lower.bars):
            raise _surplus(voices, hands, index)
        one, other = upper.bars[index], lower.bars[index]
        if one.metre != other.metre or one.key.fifths != other.key.fifths:
            what = "time signature" if one.metre != other.metre else "key signature"
            raise _differ(
                other, hands[1], f"The {what} of bar {one.number} differs between the hands. Write it in both."
            )
        if one.content != other.content:
            short, hand = (one, hands[0]) if one.content < other.content else (other, hands[1])
            raise _differ(
                short,
                hand,
                f"Bar {short.number} is shorter in the {hand} hand than in the {_OTHER[hand]}. Write rests (z) to fill it.",
            )
        one.key = one.key if one.key.mode else other.key
        for mine, theirs in ((one, other), (other, one)):
            mine.repeat_start |= theirs.repeat_start
            mine.repeat_times = max(mine.repeat_times, theirs.repeat_times)
            mine.style = mine.style or theirs.style
            mine.flags |= theirs.flags
            if theirs.endings and not mine.endings:
                mine.endings = theirs.endings
                mine.ending_starts, mine.ending_stops = theirs.ending_starts, theirs.ending_stops
        if one.endings != other.endings:
            raise _differ(other, hands[1], f"Bar {one.number} stands under different endings in the two hands.")


def _differ(bar: TypedBar, hand: Hand, text: str) -> TypedScoreError:
    return of_hand(
        hand,
        TypedScoreError(
            text, code=RefusalCode.HANDS_DIFFER, bar=bar.number, line=bar.line or None, column=bar.column or None
        ),
    )


def _surplus(voices: Sequence[VoiceReader], hands: Sequence[Hand], index: int) -> TypedScoreError:
    longer = 0 if len(voices[0].bars) > len(voices[1].bars) else 1
    bar = voices[longer].bars[index]
    counts = f"The {hands[0]} hand has {len(voices[0].bars)} bars and the {hands[1]} hand {len(voices[1].bars)}."
    pickups = [voice.bars[0].number == "0" for voice in voices if voice.bars]
    hint = " Only one of them begins with a pickup; write a rest (z) in the other." if len(set(pickups)) > 1 else ""
    return _differ(bar, hands[longer], counts + hint)


# -- the score ---------------------------------------------------------------------------------------------------------


def _score(
    tune: Tune,
    voices: Sequence[VoiceReader],
    hands: Sequence[Hand | None],
    *,
    bpm: Fraction | None = None,
    is_strict: bool = True,
) -> WrittenScore:
    known: list[Hand] = [hand or "right" for hand in hands]
    warnings = list(tune.warnings)
    odd_bars: dict[tuple[WarningCode, int], ScoreWarning] = {}  # one for both hands
    if not any(stroke.heads for voice in voices for bar in voice.bars for stroke in bar.strokes):
        raise ScoreContentError("There are no notes.", code=RefusalCode.NO_NOTES)
    for place, (voice, hand) in enumerate(zip(voices, known, strict=True)):
        for index, problem in settle(voice.bars, warn=warnings if place == 0 else None):
            if is_strict:
                raise of_hand(hand, problem) if len(voices) > 1 else problem
            doubt = _let_pass(voice.bars[index], problem, index=index)
            odd_bars.setdefault((doubt.code, index), doubt)
    warnings.extend(odd_bars.values())
    if len(voices) == 2:
        _put_together(voices, known)
    bars = _bars(voices[0].bars)
    starts = _starts(bars)
    planned: list[PlannedNote] = []
    slurs: list[tuple[int, int]] = []
    marks: list[Mark] = []
    for staff, (voice, hand) in enumerate(zip(voices, known, strict=True), start=1):
        places = _plan(voice, hand, starts=starts, planned=planned)
        slurs += [(places[id(first)], places[id(last)]) for first, last in voice.slurs]
        marks += _marks(voice, staff=staff if len(voices) > 1 else None)
        if voice.staff.transpose:
            warnings.append(
                ScoreWarning(
                    WarningCode.TRANSPOSING,
                    "",
                    f"A voice is to sound {voice.staff.transpose:+d} semitones from what is written. "
                    "It was read as written. Is that right?",
                )
            )
    tempi = _tempi(tune.tempo, voices, bpm=bpm)
    if tune.tempo is not None and tune.tempo.words:
        marks.append(Mark(MarkKind.WORDS, 0, ZERO, text=tune.tempo.words))
    if not tempi or tempi[0].bar > 0 or tempi[0].offset_beat > 0:
        text = "No tempo stands at the beginning. How fast do you want to play it?"
        warnings.append(ScoreWarning(WarningCode.TEMPO_MISSING, f"bar {bars[0].number}", text, (0,)))
    try:
        return make_score(
            planned,
            bars=bars,
            hands=known,
            tempi=tempi,
            clefs=_clefs(voices, known),
            marks=marks,
            slurs=slurs,
            title=tune.title,
            composer=tune.composer,
            source="abc",
            warnings=warnings,
        )
    except ScoreMakingError as error:
        raise TypedScoreError(str(error), code=RefusalCode.TYPED_UNKNOWN, bar=error.bar) from error


def _bars(typed: Sequence[TypedBar]) -> tuple[Bar, ...]:
    signs = [index for index, bar in enumerate(typed) if "coda" in bar.flags]
    goes_back = any(bar.flags & {"da_capo", "dal_segno"} for bar in typed)
    if len(signs) > 1 and goes_back and not any("to_coda" in bar.flags for bar in typed):
        # The sign alone stands both where one leaves and where one arrives; one leaves at the end of the bar before it.
        for index in signs[:-1]:
            typed[index].flags.discard("coda")
            typed[max(index - 1, 0)].flags.add("to_coda")
    found = []
    for index, bar in enumerate(typed):
        flags = dict.fromkeys(bar.flags, True)
        found.append(
            Bar(
                index,
                bar.number,
                bar.content,
                bar.metre,
                bar.key,
                pickup=bar.number == "0",
                repeat_start=bar.repeat_start,
                repeat_times=bar.repeat_times,
                endings=bar.endings,
                ending_starts=bar.ending_starts,
                ending_stops=bar.ending_stops,
                barline=bar.style,
                **flags,
            )
        )
    return tuple(found)


def _starts(bars: Sequence[Bar]) -> list[Fraction]:
    at = -bars[0].length_beat if bars[0].pickup else ZERO
    found = []
    for bar in bars:
        found.append(at)
        at += bar.length_beat
    return found


def _plan(voice: VoiceReader, hand: Hand, *, starts: Sequence[Fraction], planned: list[PlannedNote]) -> dict[int, int]:
    """Add the notes of a voice, and return the place of the first note of each stroke."""
    places: dict[int, int] = {}
    for stroke in _strokes(voice):
        if not stroke.heads:
            continue
        onset = starts[stroke.bar] + stroke.offset
        for place, head in enumerate(stroke.graces, start=1):
            planned.append(
                PlannedNote(
                    onset,
                    Fraction(1, 2) if len(stroke.graces) == 1 else Fraction(1, 4),
                    head.step,
                    head.alter,
                    head.octave,
                    hand,
                    grace=place,
                    grace_slash=stroke.grace_slash,
                )
            )
        heads = sorted(stroke.heads, key=lambda head: 12 * head.octave + STEP_SEMITONES[head.step] + head.alter)
        for place, head in enumerate(heads):
            if place == 0:
                places[id(stroke)] = len(planned)
            planned.append(
                PlannedNote(
                    onset,
                    stroke.length,
                    head.step,
                    head.alter,
                    head.octave,
                    hand,
                    head.finger,
                    articulations=tuple(sorted(set(stroke.articulations))) if place == 0 else (),
                    ornaments=tuple(sorted(set(stroke.ornaments))) if place == 0 else (),
                    arpeggio=stroke.arpeggio,
                    tie_starts=head.tie_starts,
                    tie_stops=head.tie_stops,
                )
            )
    return places


def _strokes(voice: VoiceReader) -> Iterable[Stroke]:
    for bar in voice.bars:
        yield from bar.strokes


def _offset(voice: VoiceReader, bar: int, stroke: int) -> tuple[int, Fraction]:
    """Return where a mark stands; one behind the last bar stands at its end."""
    if bar >= len(voice.bars):
        return len(voice.bars) - 1, voice.bars[-1].content
    strokes = voice.bars[bar].strokes
    return bar, strokes[stroke].offset if stroke < len(strokes) else voice.bars[bar].content


def _marks(voice: VoiceReader, *, staff: int | None) -> list[Mark]:
    found: list[Mark] = []
    waiting: dict[MarkKind, tuple[int, Fraction]] = {}
    for mark in voice.marks:
        bar, offset = _offset(voice, mark.bar, mark.stroke)
        if mark.starts:
            waiting.setdefault(mark.kind, (bar, offset))
        elif mark.stops:
            if (start := waiting.pop(mark.kind, None)) is not None:
                found.append(Mark(mark.kind, *start, staff, to_bar=bar, to_offset_beat=offset))
        else:
            is_of_all = mark.kind in (MarkKind.CHORD_SYMBOL, MarkKind.FERMATA, MarkKind.REHEARSAL)
            found.append(Mark(mark.kind, bar, offset, None if is_of_all else staff, mark.text))
    return found


def _tempi(tempo: TempoField | None, voices: Sequence[VoiceReader], *, bpm: Fraction | None) -> list[Tempo]:
    found: dict[tuple[int, Fraction], Tempo] = {}
    if tempo is not None and tempo.bpm is not None:
        found[0, ZERO] = Tempo(0, ZERO, tempo.bpm, tempo.value, tempo.dots, tempo.per_minute)
    elif bpm is not None:
        shown = str(bpm) if bpm.denominator == 1 else ""
        found[0, ZERO] = Tempo(0, ZERO, bpm, "quarter" if shown else "", 0, shown)
    for voice in voices:
        for bar, stroke, typed in voice.tempi:
            if typed.bpm is not None:
                place = _offset(voice, bar, stroke)
                found[place] = Tempo(*place, typed.bpm, typed.value, typed.dots, typed.per_minute)
    return [found[place] for place in sorted(found)]


def _clefs(voices: Sequence[VoiceReader], hands: Sequence[Hand]) -> list[Clef]:
    found = []
    for staff, (voice, hand) in enumerate(zip(voices, hands, strict=True), start=1):
        named: ClefField = voice.staff
        usual = ("G", 2) if hand == "right" else ("F", 4)
        sign, line = (named.sign, named.line) if named.sign else usual
        found.append(Clef(0, ZERO, staff, sign, line, named.small_octave if named.sign else 0))
    return found
