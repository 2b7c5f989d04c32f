"""What was heard and said of one rendered take against the truth, and sums of that over takes.

Heard notes are scored by mir_eval (onset within 50 ms, pitch right, ends left out). Of notes played twice the last playing
counts, as in the comparison itself. What each number means stands in README.md.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import mir_eval
import numpy as np

from reviews.compare import Comparison, Matching, State, evenness_of
from reviews.compare.measures import Trust
from reviews.compare.settings import CompareSettings
from reviews.sound.listening import Listened
from tests.bench_ear.expecting import Truth, compared, expected_of

__all__ = [
    "ALONE_FROM",
    "Notes",
    "Tally",
    "Truth",
    "compared",
    "expected_of",
    "last_played",
    "pairs",
    "score_strikes",
    "score_take",
]

NEAR_S = 0.05  # s within which a heard strike is the played one; the field's usual tolerance
# Confidence from which a heard note is scored without a score.
ALONE_FROM = 0.4
# s by which the moment of going back may be off.
RESTART_S = 1.0
Notes = list[tuple[float, int]]


def f1(played: Notes, heard: Notes) -> tuple[float, float, float]:
    """Precision, recall and F1 of strikes, by mir_eval."""
    if not played or not heard:
        return (1.0, 1.0, 1.0) if not played and not heard else (0.0, 0.0, 0.0)
    sides = []
    for notes in (played, heard):
        onsets = np.array([note[0] for note in notes])
        sides += [np.stack([onsets, onsets + 0.1], axis=1), mir_eval.util.midi_to_hz(np.array([note[1] for note in notes], float))]  # fmt: skip
    scores = mir_eval.transcription.precision_recall_f1_overlap(*sides, onset_tolerance=NEAR_S, offset_ratio=None)
    return scores[0], scores[1], scores[2]


def pairs(played: Notes, heard: Notes) -> list[tuple[int, int]]:
    """Played and heard notes that are one, by mir_eval's matching."""
    if not played or not heard:
        return []
    sides = []
    for notes in (played, heard):
        onsets = np.array([note[0] for note in notes])
        sides += [np.stack([onsets, onsets + 0.1], axis=1), mir_eval.util.midi_to_hz(np.array([note[1] for note in notes], float))]  # fmt: skip
    return [(int(one), int(other)) for one, other in mir_eval.transcription.match_notes(*sides, onset_tolerance=NEAR_S, offset_ratio=None)]  # fmt: skip


@dataclass
class Tally:
    """Sums over takes. Errors in milliseconds, each take's median taken out."""

    counts: Counter[str] = field(default_factory=Counter)
    errors_ms: list[float] = field(default_factory=list)
    ioi_ms: list[tuple[float, float]] = field(default_factory=list)
    flux: list[float] = field(default_factory=list)
    worst: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        self.counts += other.counts
        self.errors_ms += other.errors_ms
        self.ioi_ms += other.ioi_ms
        self.flux += other.flux
        self.worst += other.worst

    def as_json(self) -> dict[str, Any]:
        """Everything but the single notes, for a file that other runs are added to."""
        return {
            "counts": dict(self.counts),
            "errors_ms": [round(error, 3) for error in self.errors_ms],
            "ioi_ms": [[round(told, 3), round(true, 3)] for told, true in self.ioi_ms],
            "flux": [round(value, 4) for value in self.flux],
        }

    @classmethod
    def from_json(cls, kept: dict[str, Any]) -> "Tally":
        pairs = [(told, true) for told, true in kept["ioi_ms"]]
        return cls(counts=Counter(kept["counts"]), errors_ms=kept["errors_ms"], ioi_ms=pairs, flux=kept["flux"])

    def share(self, part: str, whole: str) -> float | None:
        return self.counts[part] / self.counts[whole] if self.counts[whole] else None

    def f1_of(self, name: str) -> float | None:
        total = self.counts[f"{name} played"] + self.counts[f"{name} heard"]
        return 2 * self.counts[f"{name} right"] / total if total else None

    def onset_ms(self) -> tuple[float, float]:
        values = np.abs(self.errors_ms) if self.errors_ms else np.zeros(1)
        return float(np.median(values)), float(np.percentile(values, 95))

    def ioi_within(self) -> int:
        """Hands whose spread of gaps is told within 1.5 ms or 5 per cent."""
        return sum(abs(told - true) <= max(1.5, 0.05 * true) for told, true in self.ioi_ms)

    def ioi_share_within(self) -> float | None:
        return self.ioi_within() / len(self.ioi_ms) if self.ioi_ms else None


def score_strikes(name: str, truth: Truth, heard: Notes, tally: Tally) -> None:
    """Count strikes heard without a score, under a name."""
    played = [(note["onset"], note["pitch"]) for note in truth["played"]]
    matched = pairs(played, heard)
    tally.counts[f"{name} played"] += len(played)
    tally.counts[f"{name} heard"] += len(heard)
    tally.counts[f"{name} right"] += len(matched)


def last_played(truth: Truth) -> dict[str, dict[str, Any]]:
    """The last playing of each written note."""
    last = {}
    for note in sorted(truth["played"], key=lambda note: note["onset"]):
        if note["score_id"] is not None:
            last[str(note["score_id"])] = note
    for number in truth["missed"]:  # played the first time, missed the last time
        last.pop(str(number), None)
    return last


def score_take(truth: Truth, listened: Listened, comparison: Comparison) -> Tally:
    """Everything that can be counted of one take."""
    tally = Tally()
    matching = comparison.matching
    alone = [(note.onset_s, note.pitch_midi) for note in listened.hearing.notes if note.confidence >= ALONE_FROM]
    score_strikes("alone", truth, alone, tally)
    last = last_played(truth)
    _score_states(truth, matching, last, tally)
    _score_extras_and_f1(truth, listened, matching, last, tally)
    _score_restarts(truth, matching, tally)
    _score_gaps(listened, matching, last, tally)
    tally.counts["takes"] += 1
    return tally


def _score_states(truth: Truth, matching: Matching, last: dict[str, dict[str, Any]], tally: Tally) -> None:
    missed = {str(number) for number in truth["missed"]}
    errors = []
    counts = tally.counts
    for note in matching.notes:
        played = last.get(note.id)
        if played is None and note.id not in missed:
            counts["left out"] += 1
            counts["left out, said so"] += note.state == State.MISSING and not note.is_reached
            continue
        counts["notes"] += 1
        counts["answered"] += note.state != State.CANNOT_TELL
        alleged = note.state in {State.WRONG_PITCH, State.MISSING}
        if not note.is_reached:
            counts["unreached"] += 1
        if played is None:
            kind = "missed"
            counts["missed found"] += note.state == State.MISSING
            counts["missed, another note told"] += note.state == State.WRONG_PITCH
        elif played["pitch"] != note.pitch_midi:
            kind = "wrong"
            counts["wrong found"] += alleged
            counts["wrong named"] += (
                note.state == State.WRONG_PITCH and note.heard is not None and abs(note.onset_s - played["onset"]) < 0.1
            )
        else:
            kind = "right"
            counts["accused"] += alleged
            counts["accused, heard wrong"] += note.state == State.WRONG_PITCH
            if alleged:
                tally.worst.append(f"{truth['take']} {note.id} bar {note.bar} {note.pitch_midi} {note.state.value}{'' if note.is_reached else ' unreached'} at {played['onset']:.2f}")  # fmt: skip
            if note.state == State.PLAYED:
                errors.append(1000 * (note.onset_s - played["onset"]))
        counts[kind] += 1
        counts[f"{kind} answered"] += note.state != State.CANNOT_TELL
    if errors:
        centred = np.array(errors) - np.median(errors)
        tally.errors_ms += list(centred[np.abs(centred) < 1000 * NEAR_S])
        counts["another playing"] += int((np.abs(centred) >= 1000 * NEAR_S).sum())


def _score_extras_and_f1(
    truth: Truth, listened: Listened, matching: Matching, last: dict[str, dict[str, Any]], tally: Tally
) -> None:
    extras = [(note["onset"], note["pitch"]) for note in truth["played"] if note["kind"] == "extra"]
    told = [(extra.onset_s, extra.pitch_midi) for extra in matching.extras]
    found = pairs(extras, told)
    anything = pairs([(note["onset"], note["pitch"]) for note in truth["played"]], told)
    tally.counts["extras"] += len(extras)
    tally.counts["extras found"] += len(found)
    tally.counts["extras invented"] += len(told) - len(anything)
    real = {two for _, two in anything} - {two for _, two in found}  # slips of an earlier playing: neither
    open_ids = {note.id for note in matching.notes if note.state == State.CANNOT_TELL}
    played = [(note["onset"], note["pitch"]) for number, note in last.items() if number not in open_ids] + extras
    heard = [extra for number, extra in enumerate(told) if number not in real]
    heard.extend(
        (note.onset_s, listened.hearing.notes[note.heard].pitch_midi)
        for note in matching.notes
        if note.onset_s is not None and note.heard is not None
    )
    tally.counts["answered played"] += len(played)
    tally.counts["answered heard"] += len(heard)
    tally.counts["answered right"] += len(pairs(played, heard))


def _score_restarts(truth: Truth, matching: Matching, tally: Tally) -> None:
    true = list(truth["params"].get("restarts") or [])
    told = list(matching.restarts)
    bars = sorted({note["onset"] for note in truth["score"]})
    bar_of = {onset: note["bar"] for note in truth["score"] for onset in [note["onset"]]}
    tally.counts["restarts"] += len(true)
    for each in true:
        bar = str(bar_of[bars[each["back"]]])
        near = [one for one in told if abs(one.at_s - each["at_s"]) < RESTART_S and one.to_bar == bar]
        if near:
            tally.counts["restarts found"] += 1
            told.remove(near[0])
        else:
            tally.worst.append(f"{truth['take']} restart not found {each} to bar {bar}; told {[(round(r.at_s, 2), r.from_event, r.to_event) for r in matching.restarts]}")  # fmt: skip
    tally.counts["restarts invented"] += len(told)
    for one in told:
        tally.worst.append(f"{truth['take']} restart invented at {one.at_s:.2f} {one.from_event}->{one.to_event}")
    skips = truth["params"].get("skips") or []
    tally.counts["skips"] += len(skips)
    tally.counts["skips told"] += len(matching.skips)


def _score_gaps(listened: Listened, matching: Matching, last: dict[str, dict[str, Any]], tally: Tally) -> None:
    trust, settings = Trust(**listened.trust_fields), CompareSettings()
    # The same notes at their true moments, so that only the hearing of moments is judged.
    notes = tuple(
        replace(note, onset_s=last[note.id]["onset"]) if note.onset_s is not None and note.id in last else note
        for note in matching.notes
    )
    for hand in sorted(matching.hands):
        told = evenness_of(matching, hand=hand, trust=trust, settings=settings)
        true = evenness_of(replace(matching, notes=notes), hand=hand, trust=trust, settings=settings)
        if told and true:
            tally.ioi_ms.append((told.ioi_sd_ms.value, true.ioi_sd_ms.value))
