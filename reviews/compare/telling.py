"""Results as plain values for JSON, with the keys that programs outside rely on."""

from collections.abc import Mapping, Sequence
from typing import Any

from curriculum.score import Hand
from reviews.compare.comparing import Comparison
from reviews.compare.findings import Finding
from reviews.compare.results import NoteResult
from reviews.sound.heard import HeardNote

# Version of the keys.
SCHEMA = 1
HANDS: tuple[Hand, ...] = ("right", "left")


def heard_json(notes: Sequence[HeardNote], *, duration_s: float, limits: Sequence[str]) -> dict[str, Any]:
    """Return heard notes.

    Parameters
    ----------
    notes : sequence of HeardNote
        In order of time.
    duration_s : float
        Length of the clip, seconds.
    limits : sequence of str
        Codes of what keeps the recording from telling more.

    Returns
    -------
    dict
        ``schema``, ``duration_s``, ``heard``, ``limits``.
    """
    return {
        "schema": SCHEMA,
        "duration_s": round(duration_s, 6),
        "heard": [
            {
                "onset_s": round(note.onset_s, 5),
                "pitch_midi": note.pitch_midi,
                "level_db": round(note.level_db, 2),
                "confidence": round(note.confidence, 3),
            }
            for note in notes
        ],
        "limits": [str(limit) for limit in limits],
    }


def comparison_json(found: Comparison, *, places: Mapping[int, int]) -> dict[str, Any]:
    """Return what became of each written note, and the findings.

    Parameters
    ----------
    found : Comparison
        The comparison.
    places : mapping of int to int
        From the place of a heard note in what was compared to its place in what is told; those left out are told as null.

    Returns
    -------
    dict
        ``notes``, ``extra``, ``restarts``, ``tempo``, ``evenness``, ``hands_apart_ms``, ``findings``.
    """
    apart = found.hands_apart
    return {
        "notes": [note_json(note, places=places) for note in found.matching.notes],
        "extra": [{"onset_s": round(each.onset_s, 5), "pitch_midi": each.pitch_midi} for each in found.matching.extras],
        "restarts": [
            {"at_s": round(each.at_s, 3), "from_bar": each.from_bar, "to_bar": each.to_bar}
            for each in found.matching.restarts
        ],
        "tempo": found.tempo and {"bpm": round(found.tempo.bpm, 2), "drift_pct": round(found.tempo.drift_pct.value, 2)},
        "evenness": {hand: _evenness_json(found, hand) for hand in HANDS},
        "hands_apart_ms": apart
        and {"median": round(apart[0].value, 1), "p90": round(apart[1], 1), "floor": round(apart[0].floor, 1)},
        "findings": [finding_json(finding) for finding in found.findings],
    }


def note_json(note: NoteResult, *, places: Mapping[int, int]) -> dict[str, Any]:
    """Return one written note and what became of it.

    Parameters
    ----------
    note : NoteResult
        The note.
    places : mapping of int to int
        As for :func:`comparison_json`.

    Returns
    -------
    dict
        Keys as `manage.py measure` prints them.
    """
    return {
        "id": note.id,
        "written_id": note.written_id,
        "bar": note.bar,
        "beat": round(note.beat, 6),
        "pitch_midi": note.pitch_midi,
        "hand": note.hand,
        "state": note.state.value,
        "onset_s": None if note.onset_s is None else round(note.onset_s, 5),
        "level_db": None if note.level_db is None else round(note.level_db, 2),
        "heard": None if note.heard is None else places.get(note.heard),
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return one finding.

    Parameters
    ----------
    finding : Finding
        The finding.

    Returns
    -------
    dict
        Keys as `manage.py measure` prints them, and ``level`` and ``hand``.
    """
    return {
        "kind": finding.kind.value,
        "dimension": finding.dimension,
        "bars": list(finding.bars),
        "value": round(finding.value, 4),
        "unit": finding.unit,
        "floor": round(finding.floor, 4),
        "low": round(finding.low, 4),
        "high": round(finding.high, 4),
        "text": finding.text,
        "level": finding.level,
        "hand": finding.hand,
    }


def _evenness_json(found: Comparison, hand: Hand) -> dict[str, Any] | None:
    even = found.evenness.get(hand)
    if even is None:
        return None
    level = even.level_sd_db
    return {
        "ioi_sd_ms": round(even.ioi_sd_ms.value, 2),
        "ioi_sd_floor_ms": round(even.ioi_sd_ms.floor, 2),
        "level_sd_db": None if level is None else round(level.value, 2),
        "level_sd_floor_db": None if level is None else round(level.floor, 2),
    }
