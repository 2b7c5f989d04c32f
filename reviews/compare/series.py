"""What the drawings of a take are made of, note by note: where each finding comes from, and how far each value may be trusted.

Kept with the findings as plain values. Each dimension has its own part, so that a page can show one and keep the others covered.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from math import sqrt
from typing import Any, TypeAlias

import numpy as np

from curriculum.score import Hand
from reviews.compare.comparing import Comparison
from reviews.compare.measures import (
    DETREND_GAPS,
    FLOOR_EVENT_DB,
    FLOOR_EXACT_DB,
    Gap,
    Stroke,
    Trust,
    detrended_ms,
    gaps_of,
    hesitations_of,
    ioi_floor_ms,
    own_key_levels,
    strokes_of,
)
from reviews.compare.results import Matching, NoteResult, State
from reviews.compare.settings import CompareSettings
from reviews.sound.heard import HeardNote

# Changes whenever the keys or values below may change; stored with them.
SERIES_VERSION = 1
HANDS: tuple[Hand, ...] = ("right", "left")
# How much wider the median of several errors scatters than their mean, for errors spread as usual: the square root of pi over two.
MEDIAN_TO_MEAN = 1.2533

Ids: TypeAlias = dict[tuple[int, int], list[NoteResult]]


def series_json(
    found: Comparison, *, heard: Sequence[HeardNote], trust: Trust, settings: CompareSettings | None = None
) -> dict[str, Any]:
    """Return what is drawn of a take.

    Parameters
    ----------
    found : Comparison
        The comparison.
    heard : sequence of HeardNote
        What was compared, in the order given to it.
    trust : Trust
        How good the recording is.
    settings : CompareSettings, optional
        As the comparison had them.

    Returns
    -------
    dict
        ``faults``: notes that are not as written or cannot be told, each with ``id`` (of the written note), ``state``, ``bar``, ``beat``,
        ``at_s`` (null where unknown), ``pitch_midi`` and ``heard_midi``. ``extra``: heard but not written, with ``at_s``, ``pitch_midi``,
        ``bar`` and the written notes ``after`` and ``before`` it with the share ``frac`` of the way between. ``stops`` (``at_s``, ``bar``,
        ``id``, ``lost_s``) and ``restarts`` (``at_s``, ``from_bar``, ``to_bar``, ``from_id``, ``to_id``). ``gaps`` and ``keys``: for each hand
        with enough notes ``hand``, the floor and ``points``; ``events``: the floor and ``points``; ``tempo``: ``bpm``, ``floor_bpm`` and
        ``points``. A point has ``at_s``, ``id``, ``bar``, ``beat`` and its values.
    """
    settings = settings or CompareSettings()
    matching = found.matching
    return {
        "version": SERIES_VERSION,
        "faults": _faults(matching, heard),
        "extra": _extra(matching),
        "stops": _stops(matching, settings=settings),
        "restarts": _restarts(matching),
        "gaps": [_gaps(found, hand, settings=settings) for hand in HANDS if hand in found.evenness],
        "keys": [keys for hand in HANDS if (keys := _keys(found, hand)) is not None],
        "events": _events(matching, trust=trust, settings=settings),
        "tempo": _tempo(found, trust=trust, settings=settings),
    }


def _notes_of(matching: Matching, hand: Hand | None = None) -> Ids:
    """Return the notes of each stroke."""
    by_stroke: Ids = defaultdict(list)
    for note in matching.notes:
        if note.onset_s is not None and not note.grace and (hand is None or note.hand == hand):
            by_stroke[note.pass_index or 0, note.event].append(note)
    return by_stroke


def _place(stroke: Stroke, notes: Ids) -> dict[str, Any]:
    first = notes[stroke.pass_index, stroke.event][0]
    return {"at_s": round(stroke.onset_s, 3), "id": first.written_id, "bar": first.bar, "beat": round(first.beat, 3)}


def _faults(matching: Matching, heard: Sequence[HeardNote]) -> list[dict[str, Any]]:
    faults = []
    for note in matching.notes:
        is_judged = note.is_reached and not note.grace and (note.hand is None or note.hand in matching.hands)
        if not is_judged or note.state == State.PLAYED:
            continue
        at_s = note.onset_s if note.onset_s is not None else note.expected_s
        known = note.heard is not None and note.state == State.WRONG_PITCH
        faults.append(
            {
                "id": note.written_id,
                "state": note.state.value,
                "bar": note.bar,
                "beat": round(note.beat, 3),
                "at_s": None if at_s is None else round(at_s, 3),
                "pitch_midi": note.pitch_midi,
                "heard_midi": heard[note.heard].pitch_midi if known and note.heard is not None else None,
            }
        )
    return faults


def _extra(matching: Matching) -> list[dict[str, Any]]:
    placed = sorted((note.onset_s, note.written_id) for note in matching.notes if note.onset_s is not None)
    times = [onset_s for onset_s, _ in placed]
    found = []
    for each in matching.extras:
        place = bisect_right(times, each.onset_s)
        after, before = (placed[index] if 0 <= index < len(placed) else None for index in (place - 1, place))
        way_s = before[0] - after[0] if after and before else 0.0
        found.append(
            {
                "at_s": round(each.onset_s, 3),
                "pitch_midi": each.pitch_midi,
                "bar": each.bar,
                "after": after[1] if after else None,
                "before": before[1] if before else None,
                "frac": round((each.onset_s - after[0]) / way_s, 3) if after and way_s > 0 else 0.0,
            }
        )
    return found


def _stops(matching: Matching, *, settings: CompareSettings) -> list[dict[str, Any]]:
    notes = _notes_of(matching)
    gaps = gaps_of(strokes_of(matching), settings=settings)
    ends = [gap.end for gap in gaps if gap.is_hesitation]
    return [
        _place(end, notes) | {"lost_s": round(stop.lost_s, 2)}
        for end, stop in zip(ends, hesitations_of(gaps), strict=True)
    ]


def _restarts(matching: Matching) -> list[dict[str, Any]]:
    first: dict[int, str] = {}
    for note in matching.notes:
        first.setdefault(note.event, note.written_id)
    return [
        {
            "at_s": round(each.at_s, 3),
            "from_bar": each.from_bar,
            "to_bar": each.to_bar,
            "from_id": first.get(each.from_event),
            "to_id": first.get(each.to_event),
        }
        for each in matching.restarts
    ]


def _gaps(found: Comparison, hand: Hand, *, settings: CompareSettings) -> dict[str, Any]:
    strokes = strokes_of(found.matching, hand=hand)
    notes = _notes_of(found.matching, hand)
    gaps = gaps_of(strokes, settings=settings)
    plain = [gap for gap in gaps if not gap.is_hesitation]
    return {
        "hand": hand,
        "floor_ms": round(found.evenness[hand].ioi_sd_ms.floor, 2),
        "points": [
            _place(gap.end, notes) | {"gap_ms": round(1000 * gap.seconds, 1), "late_ms": round(float(late), 1)}
            for gap, late in zip(plain, detrended_ms(gaps), strict=True)
        ],
    }


def _keys(found: Comparison, hand: Hand) -> dict[str, Any] | None:
    level = found.evenness[hand].level_sd_db if hand in found.evenness else None
    if level is None:
        return None
    notes = _notes_of(found.matching, hand)
    return {
        "hand": hand,
        "floor_db": round(level.floor, 2),
        "points": [
            _place(stroke, notes) | {"level_db": round(off_db, 2)}
            for stroke, off_db in own_key_levels(strokes_of(found.matching, hand=hand))
        ],
    }


def _events(matching: Matching, *, trust: Trust, settings: CompareSettings) -> dict[str, Any] | None:
    strokes = strokes_of(matching)
    if len(strokes) < settings.least_notes:
        return None
    notes = _notes_of(matching)
    usual_db = float(np.median([stroke.level_db for stroke in strokes]))
    return {
        "floor_db": FLOOR_EXACT_DB if trust.is_exact else FLOOR_EVENT_DB,
        "points": [
            _place(stroke, notes) | {"level_db": round(stroke.level_db - usual_db, 2)}
            for stroke in sorted(strokes, key=lambda each: each.onset_s)
        ],
    }


def _tempo(found: Comparison, *, trust: Trust, settings: CompareSettings) -> dict[str, Any] | None:
    if found.tempo is None:
        return None
    notes = _notes_of(found.matching)
    gaps = gaps_of(strokes_of(found.matching), settings=settings)
    plain = [gap for gap in gaps if not gap.is_hesitation]
    taus = np.array([gap.tau_s for gap in plain])
    half = DETREND_GAPS // 2
    usual_s = float(np.median([gap.seconds for gap in plain]))
    floor_frac = MEDIAN_TO_MEAN * ioi_floor_ms(trust, is_line=_is_line(found.matching)) / (1000 * usual_s * sqrt(DETREND_GAPS))  # fmt: skip
    return {
        "bpm": round(found.tempo.bpm, 2),
        "floor_bpm": round(found.tempo.bpm * floor_frac, 2),
        "points": [
            _place(gap.end, notes)
            | {
                "bpm": round(60 / float(np.median(taus[max(0, index - half) : index + half + 1])), 2),
                "is_after_stop": _breaks(plain, index),
            }
            for index, gap in enumerate(plain)
        ],
    }


def _breaks(plain: Sequence[Gap], index: int) -> bool:
    """Whether the playing did not go straight on from the gap before."""
    return index > 0 and plain[index - 1].end.onset_s != plain[index].start.onset_s


def _is_line(matching: Matching) -> bool:
    return len(matching.hands) == 1 and all(len(stroke.pitches) <= 1 for stroke in strokes_of(matching))
