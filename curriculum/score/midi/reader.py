"""A Standard MIDI File into a written score."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.errors import RefusalCode, ScoreContentError, ScoreMakingError, ScoreTooLargeError, WarningCode
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits
from curriculum.score.making import PlannedNote, make_score
from curriculum.score.midi.chunks import DRUMS, MidiFile, RawNote, read_chunks
from curriculum.score.midi.quantising import EXACT_GRIDS, PLAIN_GRIDS, BarSpan, Grid, fit_grid, meant_length
from curriculum.score.midi.spelling import likely_signature, spell
from curriculum.score.musicxml.reader import name_bars
from curriculum.score.notes import ZERO, Bar, Hand, Key, Mark, MarkKind, Metre, ScoreWarning, Tempo, WrittenScore

# Lowest and highest key of a piano.
PIANO = (21, 108)
# What one hand plays without parting: one note at a time, within two octaves. More than that is parted between hands.
ONE_HAND_RANGE = 24
# Widest distance, in semitones, that a hand is believed to span when a track is parted: an octave, with a whole tone to spare.
USUAL_STRETCH = 14
# Keys between which the parting of the hands is looked for, and where it lies if nothing speaks against it (middle C).
SPLITS = range(48, 73)
USUAL_SPLIT = 60
# Above this looseness (0 on the grid) note values are called a guess. Measured on 20 runs of 32 invented strokes each: eighths with a spread
# of 15 ticks of 480 have 0.10 and 99.7 % right places, of 25 ticks 0.16 and 94 %, of 40 ticks 0.22 and 76 %; strokes anywhere have 0.33.
LOOSE = 0.15
# Distances below this, in quarters, are rounding and not worth a word.
NOTICED_BEAT = 0.01

# More tempi, time signatures, keys or movements of the pedal than this belong to no score.
MOST_SIGNS = 10_000

_RIGHT = re.compile(r"\b(right|rh|r\.h\.|rechte?|droite|destra|treble|upper)\b", re.IGNORECASE)
_LEFT = re.compile(r"\b(left|lh|l\.h\.|linke?|gauche|sinistra|bass|lower)\b", re.IGNORECASE)


def read_midi(data: bytes, *, answers: Answers = NO_ANSWERS, limits: ScoreLimits = USUAL_LIMITS) -> WrittenScore:
    r"""Return a Standard MIDI File as a score for two hands, or one.

    Parameters
    ----------
    data : bytes
        From ``MThd`` on.
    answers : Answers
        ``part``: number of the track (from 1), or two with a comma, right hand first. ``split_midi``: lowest key of the right hand.
        ``hand``: who plays a score of one staff. ``finest_beat``: shortest distance that is written, in quarters.
    limits : ScoreLimits
        How much is accepted.

    Returns
    -------
    WrittenScore
        With a warning for every guess.

    Raises
    ------
    ScoreFileError
        If the file is damaged or counts in seconds.
    ScoreContentError
        If it has no notes, only drums, or more tracks with notes than two and none was chosen.
    ScoreTooLargeError
        If there are too many notes, events or bars.

    Examples
    --------
    >>> track = b"\x00\x90\x3c\x40\x60\x80\x3c\x00\x00\xff\x2f\x00"
    >>> score = read_midi(b"MThd\0\0\0\6\0\0\0\1\0\x60" + b"MTrk\0\0\0\x0c" + track)
    >>> [(note.pitch_midi, note.duration_beat) for note in score.notes]
    [(60, Fraction(1, 1))]
    """
    file = read_chunks(data, limits=limits)
    for events, most, what in (
        (file.notes, limits.most_midi_notes, "notes"),
        (file.tempi, MOST_SIGNS, "tempi"),
        (file.metres, MOST_SIGNS, "time signatures"),
        (file.keys, MOST_SIGNS, "keys"),
        (file.pedals, MOST_SIGNS, "movements of the pedal"),
    ):
        if len(events) > most:
            raise ScoreTooLargeError(
                f"The MIDI file has {len(events)} {what}; at most {most} are fitted into bars.",
                code=RefusalCode.TOO_MANY,
            )
    notes, warnings = _playable(file)
    hands, doubts = _hands(file, notes, answers=answers)
    warnings += doubts
    spans = _Bars(file, last=max(note.end for note in notes), warnings=warnings, limits=limits)
    error: ScoreMakingError | None = None
    # Grids of five and seven cannot always be tied to those of other beats; then the next best ones are taken.
    for grids in (EXACT_GRIDS, PLAIN_GRIDS, (1, 2, 4, 8)):
        try:
            return _Writing(file, hands, spans, answers=answers, grids=grids).score(warnings)
        except ScoreMakingError as found:
            error = found
    raise ScoreContentError(
        f"The notes cannot be written down: {error}", code=RefusalCode.BAD_SCORE, bar=error.bar if error else ""
    ) from error


def _playable(file: MidiFile) -> tuple[list[RawNote], list[ScoreWarning]]:
    """Return what a piano can play, with warnings for what it cannot."""
    warnings: list[ScoreWarning] = []
    if file.is_cut_short:
        warnings.append(_told(WarningCode.MIDI_CUT_SHORT, "The file breaks off. What was there before was read."))
    if file.unended:
        text = f"{_some(file.unended, 'note')} never let go; the end of the track was taken for the end."
        warnings.append(_told(WarningCode.NOTE_UNENDED, text))
    if not file.notes:
        raise ScoreContentError("The MIDI file has no notes.", code=RefusalCode.NO_NOTES)
    pitched = [note for note in file.notes if note.channel != DRUMS]
    if not pitched:
        raise ScoreContentError("The MIDI file has only drums. A piano cannot play them.", code=RefusalCode.UNPITCHED)
    if len(pitched) < len(file.notes):
        warnings.append(_told(WarningCode.DRUMS_LEFT_OUT, "The drums (channel 10) were left out."))
    playable = [note for note in pitched if PIANO[0] <= note.pitch_midi <= PIANO[1]]
    if not playable:
        raise ScoreContentError("No note lies on the keys of a piano.", code=RefusalCode.NO_NOTES)
    if len(playable) < len(pitched):
        text = f"{_some(len(pitched) - len(playable), 'note')} beyond the keys of a piano; left out."
        warnings.append(_told(WarningCode.BEYOND_PIANO, text))
    if len({note.velocity for note in playable}) > 1:
        text = "The file says how loud each note was, but holds no dynamics. None were written."
        warnings.append(_told(WarningCode.VOLUME_ONLY, text))
    return playable, warnings


def _told(code: WarningCode, text: str) -> ScoreWarning:
    return ScoreWarning(code, "", text)


def _some(count: int, what: str) -> str:
    return f"1 {what} is" if count == 1 else f"{count} {what}s are"


# -- hands -------------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Hands:
    """Notes by hand. ``is_known`` is False for one staff whose hand is asked for."""

    notes: dict[Hand, list[RawNote]]
    is_known: bool = True


def _hands(file: MidiFile, notes: Sequence[RawNote], *, answers: Answers) -> tuple[_Hands, list[ScoreWarning]]:
    groups: dict[tuple[int, int], list[RawNote]] = {}
    for note in notes:
        groups.setdefault((note.track, 0), []).append(note)
    if len(groups) == 1:
        channels = {note.channel for note in notes}
        if len(channels) == 2:
            track = notes[0].track
            groups = {(track, channel): [note for note in notes if note.channel == channel] for channel in channels}
    chosen = sorted(groups)
    if answers.part:
        wanted = [int(part) - 1 for part in answers.part.split(",") if part.strip().isdecimal()]
        chosen = [place for track in wanted for place in sorted(groups) if place[0] == track]
        if not chosen:
            raise ScoreContentError(f"No notes in track {answers.part[:20]!r}.", code=RefusalCode.NO_NOTES)
    if len(chosen) > 2:
        listed = ", ".join(f"{file.names.get(track, '') or 'without a name'} ({track + 1})" for track, _ in chosen)
        raise ScoreContentError(
            f"The MIDI file has {len(chosen)} tracks with notes: {listed[:300]}. Which do you play?",
            code=RefusalCode.WHICH_PART,
        )
    warnings = []
    if len(chosen) < len(groups):
        warnings.append(_told(WarningCode.PART_LEFT_OUT, "Other tracks with notes were left out."))
    if len(chosen) == 2:
        found, doubt = _two_groups(file, [groups[place] for place in chosen], is_told=bool(answers.part))
    else:
        found, doubt = _one_group(file, groups[chosen[0]], answers=answers)
    return found, [*warnings, *doubt]


def _two_groups(file: MidiFile, groups: list[list[RawNote]], *, is_told: bool) -> tuple[_Hands, list[ScoreWarning]]:
    first, second = groups
    names = [file.names.get(group[0].track, "") for group in groups]
    if is_told or (_RIGHT.search(names[0]) and _LEFT.search(names[1])):
        return _Hands({"right": first, "left": second}), []
    if _LEFT.search(names[0]) and _RIGHT.search(names[1]):
        return _Hands({"right": second, "left": first}), []
    heights = [sum(note.pitch_midi for note in group) / len(group) for group in groups]
    if heights[0] >= heights[1]:
        return _Hands({"right": first, "left": second}), []
    text = "Two tracks were taken for the two hands, the higher one for the right. Is that right?"
    return _Hands({"right": second, "left": first}), [_told(WarningCode.HAND_DOUBTFUL, text)]


def _one_group(file: MidiFile, notes: list[RawNote], *, answers: Answers) -> tuple[_Hands, list[ScoreWarning]]:
    if answers.hand is not None:
        return _Hands({answers.hand: notes}), []
    split = answers.split_midi
    name = file.names.get(notes[0].track, "")
    if split is None and bool(_RIGHT.search(name)) != bool(_LEFT.search(name)):
        return _Hands({"right" if _RIGHT.search(name) else "left": notes}), []
    chords = [list(chord) for _, chord in groupby(notes, key=lambda note: note.start)]
    pitches = [note.pitch_midi for note in notes]
    is_single = all(len(chord) == 1 for chord in chords) and max(pitches) - min(pitches) <= ONE_HAND_RANGE
    if split is None and is_single:
        return _Hands({"right": notes}, is_known=False), [
            _told(WarningCode.WHICH_HAND, "The file has one line of notes. Which hand plays it?")
        ]
    doubts = []
    if split is None:
        split = _likely_split(chords)
        step, alter, octave = spell(split, fifths=0)
        shown = f"{step}{'#' if alter > 0 else 'b' if alter < 0 else ''}{octave}"
        text = f"The file does not tell the hands apart. Notes from {shown} up were given to the right hand. Is that right?"
        doubts.append(_told(WarningCode.HANDS_FROM_PITCH, text))
    parted: dict[Hand, list[RawNote]] = {
        "right": [note for note in notes if note.pitch_midi >= split],
        "left": [note for note in notes if note.pitch_midi < split],
    }
    return _Hands(parted), doubts


def _likely_split(chords: Sequence[Sequence[RawNote]]) -> int:
    """Return the key at which neither hand has to stretch, nearest to middle C."""
    wide = Counter(pitches for chord in chords if (pitches := _pitches(chord))[-1] - pitches[0] > USUAL_STRETCH)

    def cost(split: int) -> tuple[int, int]:
        over = 0
        for pitches, times in wide.items():
            for hand in (
                [pitch for pitch in pitches if pitch >= split],
                [pitch for pitch in pitches if pitch < split],
            ):
                if hand:
                    over += times * max(0, hand[-1] - hand[0] - USUAL_STRETCH)
        return over, abs(split - USUAL_SPLIT)

    return min(SPLITS, key=cost)


def _pitches(chord: Sequence[RawNote]) -> tuple[int, ...]:
    return tuple(sorted({note.pitch_midi for note in chord}))


# -- bars --------------------------------------------------------------------------------------------------------------


class _Bars:
    """Bars as the time signatures of the file part it."""

    def __init__(self, file: MidiFile, *, last: int, warnings: list[ScoreWarning], limits: ScoreLimits) -> None:
        self.file = file
        self.limits = limits
        self.per_quarter = file.ticks_per_quarter
        self.metres = self._metres(warnings)
        self.spans: list[BarSpan] = []
        self.metre_of: list[Metre] = []
        self.cut: list[int] = []  # bars that a new time signature cuts short
        self._walk(Fraction(last, self.per_quarter))
        self._starts = [span.start for span in self.spans]
        self.has_pickup = self._first_is_pickup()
        if self.cut:
            text = "A time signature changes inside a bar; the bar was cut there."
            warnings.append(ScoreWarning(WarningCode.BAR_SHORT, "", text, tuple(self.cut)))

    def _metres(self, warnings: list[ScoreWarning]) -> list[tuple[Fraction, Metre]]:
        found: dict[Fraction, Metre] = {}
        unreadable = 0
        for tick, beats, power in self.file.metres:
            if 0 < beats <= 64 and power <= 6:
                found[Fraction(tick, self.per_quarter)] = Metre(beats, 1 << power)
            else:
                unreadable += 1
        if unreadable:
            text = f"{'A time signature' if unreadable == 1 else f'{unreadable} time signatures'} cannot be read and {'was' if unreadable == 1 else 'were'} left out."
            warnings.append(_told(WarningCode.METRE_UNREADABLE, text))
        if ZERO not in found:
            text = "The file names no time signature at its beginning. Four-four was taken."
            warnings.append(_told(WarningCode.METRE_MISSING, text))
            found[ZERO] = Metre(4, 4)
        return sorted(found.items())

    def _walk(self, last: Fraction) -> None:
        at, place = ZERO, 0
        while at < last or not self.spans:
            while place + 1 < len(self.metres) and self.metres[place + 1][0] <= at:
                place += 1
            metre = self.metres[place][1]
            length = metre.length_beat
            if place + 1 < len(self.metres) and self.metres[place + 1][0] < at + length:
                length = self.metres[place + 1][0] - at
                if length.denominator > 8:  # not a place where a bar can end
                    length = Fraction(max(1, round(length * 4)), 4)
                if length < metre.length_beat:
                    self.cut.append(len(self.spans))
            self.spans.append(BarSpan(at, length))
            self.metre_of.append(metre)
            at += length
            if len(self.spans) > self.limits.most_bars:
                raise ScoreTooLargeError(
                    f"The MIDI file is longer than {self.limits.most_bars} bars.", code=RefusalCode.TOO_MANY
                )

    def _first_is_pickup(self) -> bool:
        if self.cut[:1] == [0] and len(self.spans) > 1:
            return True
        if len(self.spans) < 2 or len(self.metres) < 2 or self.metres[1][0] != self.spans[1].start:
            return False
        return self.metre_of[0].length_beat < self.metre_of[1].length_beat

    def written(self, keys: Sequence[tuple[Fraction, Key]]) -> tuple[Bar, ...]:
        found = []
        for index, (span, metre) in enumerate(zip(self.spans, self.metre_of, strict=True)):
            is_pickup = self.has_pickup and index == 0
            key = [key for at, key in keys if at <= span.start][-1]
            found.append(
                Bar(
                    index,
                    str(index if self.has_pickup else index + 1),
                    span.length,
                    self.metre_of[1] if is_pickup and self.cut[:1] != [0] else metre,
                    key,
                    pickup=is_pickup,
                )
            )
        found[-1] = replace(found[-1], barline="light-heavy")
        return tuple(found)

    def place(self, at: Fraction) -> tuple[int, Fraction]:
        """Return bar and offset of a time in quarters, moved to a sixteenth."""
        index = max(bisect_right(self._starts, at) - 1, 0)
        span = self.spans[index]
        offset = min(Fraction(round((at - span.start) * 4), 4), span.length)
        if offset == span.length and index + 1 < len(self.spans):
            return index + 1, ZERO
        return index, offset


# -- writing -----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Held:
    """One note with its written place and length, in quarters from the beginning of the file."""

    onset: Fraction
    length: Fraction
    pitch_midi: int


class _Writing:
    def __init__(self, file: MidiFile, hands: _Hands, bars: _Bars, *, answers: Answers, grids: Sequence[int]) -> None:
        self.file = file
        self.hands = hands
        self.bars = bars
        self.per_quarter = file.ticks_per_quarter
        self.overlaps: list[Fraction] = []
        ticks = [note.start for group in hands.notes.values() for note in group]
        self.grid: Grid = fit_grid(
            ticks,
            bars=bars.spans,
            ticks_per_quarter=self.per_quarter,
            finest_beat=answers.finest_beat,
            grids=grids,
        )

    def score(self, warnings: Sequence[ScoreWarning]) -> WrittenScore:
        keys, key_doubts = self._keys()
        bars = self.bars.written(keys)
        shift = self.bars.spans[1].start if self.bars.has_pickup else ZERO
        planned: list[PlannedNote] = []
        for hand, notes in self.hands.notes.items():
            for voice, held in self._voices(self._held(notes), hand=hand):
                index, _ = self.bars.place(held.onset)
                step, alter, octave = spell(held.pitch_midi, fifths=bars[index].key.fifths)
                planned.append(PlannedNote(held.onset - shift, held.length, step, alter, octave, hand, voice=voice))
        tempi = self._tempi()
        doubts = [*warnings, *key_doubts, *self._doubts(bars)]
        if not tempi or (tempi[0].bar, tempi[0].offset_beat) != (0, ZERO):
            text = "The file names no tempo at its beginning. How fast do you want to play it?"
            doubts.append(ScoreWarning(WarningCode.TEMPO_MISSING, f"bar {bars[0].number}", text, (0,)))
        score = make_score(
            planned,
            bars=bars,
            hands=list(self.hands.notes),
            tempi=tempi,
            marks=self._pedals(),
            title=self._title(),
            source="midi",
            warnings=doubts,
        )
        if self.hands.is_known:
            return score
        return replace(score, notes=tuple(replace(note, hand=None) for note in score.notes))

    def _held(self, notes: Sequence[RawNote]) -> list[list[_Held]]:
        """Return the notes of one hand as strokes: those that begin together."""
        strokes: dict[Fraction, dict[int, RawNote]] = {}
        last = self.bars.spans[-1].start + self.bars.spans[-1].length
        for note in notes:
            onset = self.grid.places[note.start]
            if onset >= last:
                onset = last - Fraction(1, 4)
            known = strokes.setdefault(onset, {})
            # The same key twice in one place is one note: what a hand cannot do is a double of the file.
            if note.pitch_midi not in known or known[note.pitch_midi].end < note.end:
                known[note.pitch_midi] = note
        found: list[list[_Held]] = []
        following: Fraction | None = None
        again: dict[int, Fraction] = {}  # key -> where it is struck next
        for onset in sorted(strokes, reverse=True):
            stroke = []
            for pitch, note in sorted(strokes[onset].items()):
                length = meant_length(
                    Fraction(note.end - note.start, self.per_quarter),
                    onset=onset,
                    next_onset=following,
                    is_exact=self.grid.is_exact,
                )
                stroke.append(_Held(onset, min(length, again.get(pitch, last) - onset), pitch))
            again.update(dict.fromkeys(strokes[onset], onset))
            following = onset
            found.append(stroke)
        return found[::-1]

    def _voices(self, strokes: Sequence[Sequence[_Held]], *, hand: Hand) -> list[tuple[int, _Held]]:
        """Part one hand into at most two voices; where that is not enough, notes are shortened and it is remembered."""
        free = {1: Fraction(-1), 2: Fraction(-1)}
        found: list[tuple[int, _Held]] = []
        latest: dict[int, list[_Held]] = {}
        for stroke in strokes:
            onset = stroke[0].onset
            lengths = sorted({held.length for held in stroke})
            if len(lengths) > 2 or (len(lengths) == 2 and not all(end <= onset for end in free.values())):
                self.overlaps.append(onset)
                shortest = lengths[0]
                for held in stroke:
                    held.length = shortest
                lengths = [shortest]
            open_voices = [voice for voice in (1, 2) if free[voice] <= onset]
            if not open_voices:
                self.overlaps.append(onset)
                for held in latest[1]:
                    held.length = onset - held.onset
                open_voices = [1]
            if len(lengths) == 1:
                voice_of = {lengths[0]: open_voices[0]}
            else:
                heights = {
                    length: max(held.pitch_midi for held in stroke if held.length == length) for length in lengths
                }
                upper = max(lengths, key=lambda length: heights[length])
                other = next(length for length in lengths if length != upper)
                first, second = (1, 2) if hand == "right" else (2, 1)
                voice_of = {upper: first, other: second}
            latest.update({voice: [] for voice in voice_of.values()})
            for held in stroke:
                voice = voice_of[held.length]
                latest[voice].append(held)
                found.append((voice, held))
                free[voice] = onset + held.length
        return found

    def _keys(self) -> tuple[list[tuple[Fraction, Key]], list[ScoreWarning]]:
        found: dict[Fraction, Key] = {}
        for tick, fifths, is_minor in self.file.keys:
            index, offset = self.bars.place(Fraction(tick, self.per_quarter))
            start = self.bars.spans[index].start
            if offset and index + 1 < len(self.bars.spans):
                start = self.bars.spans[index + 1].start
            found[start] = Key(fifths, "minor" if is_minor else "major")
        if ZERO in found:
            return sorted(found.items()), []
        weights: Counter[int] = Counter()
        for notes in self.hands.notes.values():
            for note in notes:
                weights[note.pitch_midi % 12] += note.end - note.start
        fifths = likely_signature(weights)
        found[ZERO] = Key(fifths)
        signs = (
            f"{abs(fifths)} {'sharp' if fifths > 0 else 'flat'}{'s' if abs(fifths) > 1 else ''}"
            if fifths
            else "No signs"
        )
        text = f"The file names no key. {signs} fit{'s' if abs(fifths) == 1 else ''} what sounds."
        return sorted(found.items()), [_told(WarningCode.KEY_GUESSED, text)]

    def _doubts(self, bars: tuple[Bar, ...]) -> list[ScoreWarning]:
        text = "A MIDI file does not tell sharps from flats. The spelling was chosen after the key."
        found = [_told(WarningCode.SPELLING_GUESSED, text)]
        moved = {tick: distance for tick, distance in self.grid.moved.items() if distance > NOTICED_BEAT}
        if moved and not self.grid.is_exact:
            places = tuple(sorted({self.bars.place(self.grid.places[tick])[0] for tick in moved}))
            where = name_bars(bars, places)
            text = (
                f"{where[:1].upper()}{where[1:]}: {_some(len(moved), 'stroke')} between written places; "
                f"moved by up to {max(moved.values()):.2f} of a quarter."
            )
            found.append(ScoreWarning(WarningCode.QUANTISED, where, text, places))
            if self.grid.looseness > LOOSE:
                text = "The file was played freely, so its note values are a guess. Compare them with the page."
                found.append(ScoreWarning(WarningCode.QUANTISED_COARSELY, where, text, places))
        if self.overlaps:
            places = tuple(sorted({self.bars.place(onset)[0] for onset in self.overlaps}))
            where = name_bars(bars, places)
            text = f"{where[:1].upper()}{where[1:]}: more than two voices in a hand; some notes were shortened."
            found.append(ScoreWarning(WarningCode.NOTE_OVERLAP, where, text, places))
        return found

    def _tempi(self) -> list[Tempo]:
        found: dict[tuple[int, Fraction], Tempo] = {}
        for tick, microseconds in self.file.tempi:
            place = self.bars.place(Fraction(tick, self.per_quarter))
            # Files keep whole microseconds, so that 130 becomes 130.00013; two places are what is meant.
            bpm = Fraction(round(Fraction(6_000_000_000, microseconds)), 100)
            if 0 < bpm < 1000:
                shown = f"{float(bpm):g}"
                found[place] = Tempo(*place, bpm, "quarter", 0, shown)
        tempi = [found[place] for place in sorted(found)]
        return [tempo for i, tempo in enumerate(tempi) if i == 0 or tempo.bpm != tempi[i - 1].bpm]

    def _pedals(self) -> list[Mark]:
        found: list[Mark] = []
        pressed: tuple[int, Fraction] | None = None
        end = self.bars.spans[-1].start + self.bars.spans[-1].length
        for tick, is_down in self.file.pedals:
            at = Fraction(tick, self.per_quarter)
            if at > end:
                break
            place = self.bars.place(at)
            if is_down and pressed is None:
                pressed = place
            elif not is_down and pressed is not None:
                if place > pressed:
                    found.append(Mark(MarkKind.PEDAL, *pressed, to_bar=place[0], to_offset_beat=place[1]))
                pressed = None
        return found

    def _title(self) -> str:
        with_notes = {note.track for notes in self.hands.notes.values() for note in notes}
        return self.file.names.get(0, "") if 0 not in with_notes else ""
