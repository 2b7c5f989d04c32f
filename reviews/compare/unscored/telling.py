"""Results without a score as plain values: findings, and what drawings are made of."""

from typing import Any

import numpy as np

from reviews.compare.measures import (
    FLOOR_EVENT_DB,
    FLOOR_EXACT_DB,
    Trust,
    detrended_ms,
    ioi_floor_ms,
    own_key_levels,
    own_key_spread,
)
from reviews.compare.settings import CompareSettings
from reviews.compare.telling import finding_json
from reviews.compare.unscored.findings import find_unscored
from reviews.compare.unscored.laying import Asked, Laid
from reviews.compare.unscored.pulse import Row
from reviews.compare.unscored.regular import local_bpm, regular_of, steadiness_pct

# Changes whenever findings or keys may change; stored with them.
UNSCORED_VERSION = 2
NOWHERE = {"id": "", "bar": "", "beat": None}


def unscored_json(
    laid: Laid, *, trust: Trust, asked: Asked | None = None, settings: CompareSettings | None = None
) -> dict[str, Any]:
    """Return findings and series of a playing without a score.

    Parameters
    ----------
    laid : Laid
        The playing.
    trust : Trust
        How good the recording is.
    asked : Asked, optional
        What is known of it.
    settings : CompareSettings, optional
        How many notes a verdict needs.

    Returns
    -------
    dict
        ``findings`` as `manage.py measure` prints them; ``series`` with the keys of `reviews.compare.series`, whose places have no bars.
    """
    settings = settings or CompareSettings()
    found = find_unscored(laid, trust=trust, asked=asked, settings=settings)
    return {
        "findings": [finding_json(each) for each in found],
        "series": series_of(laid, trust=trust, settings=settings),
    }


def series_of(laid: Laid, *, trust: Trust, settings: CompareSettings) -> dict[str, Any]:
    """Return what is drawn of a playing without a score.

    Parameters
    ----------
    laid : Laid
        The playing.
    trust : Trust
        How good the recording is.
    settings : CompareSettings
        How many notes a drawing needs.

    Returns
    -------
    dict
        ``gaps`` and ``keys`` (lists of one or none; ``is_typed`` where gaps are held against a typed rhythm), ``events``, ``tempo`` (None where nothing can be told), ``stops``.
    """
    return {
        "gaps": _gaps(laid, trust=trust, settings=settings),
        "keys": _keys(laid, trust=trust, settings=settings),
        "events": _events(laid, trust=trust) if len(laid.strokes) >= settings.least_notes else None,
        "tempo": _tempo(laid, trust=trust),
        "stops": [NOWHERE | {"at_s": round(stop.at_s, 3), "lost_s": round(stop.lost_s, 2)} for stop in laid.stops],
    }


def _gaps(laid: Laid, *, trust: Trust, settings: CompareSettings) -> list[dict[str, Any]]:
    """Return each gap beside what it should be: its own written value where a rhythm was typed, else those around it."""
    rows: list[tuple[float, float, float]] = []
    is_typed = bool(laid.fits_rhythm) and len({round(gap.beats, 4) for gap in laid.gaps}) > 1
    if is_typed:
        notes = len({stroke.event for gap in laid.gaps for stroke in (gap.start, gap.end)})
        late = detrended_ms(laid.gaps).tolist()
        rows = [(gap.end.onset_s, gap.seconds, late_ms) for gap, late_ms in zip(laid.gaps, late, strict=True)]
    else:
        regular = regular_of(laid) if laid.pulse is not None else None
        notes = regular.notes if regular is not None else 0
        if regular is not None:
            ends, gaps_s = (np.concatenate(each).tolist() for each in (regular.at_s, regular.groups))
            rows = sorted(zip(ends, gaps_s, regular.late_ms.tolist(), strict=True))
    if notes < settings.least_notes:
        return []
    is_line = all(len(strike.pitches) == 1 for strike in laid.strikes)
    points = [
        NOWHERE | {"at_s": round(at_s, 3), "gap_ms": round(1000 * gap_s, 1), "late_ms": round(late_ms, 1)}
        for at_s, gap_s, late_ms in rows
    ]
    floor_ms = round(ioi_floor_ms(trust, is_line=is_line), 2)
    return [{"hand": None, "floor_ms": floor_ms, "points": points, "is_typed": is_typed}]


def _keys(laid: Laid, *, trust: Trust, settings: CompareSettings) -> list[dict[str, Any]]:
    level = own_key_spread(laid.strokes, trust=trust, least=settings.least_notes)
    if level is None:
        return []
    points = [
        NOWHERE | {"at_s": round(stroke.onset_s, 3), "level_db": round(off_db, 2)}
        for stroke, off_db in own_key_levels(laid.strokes)
    ]
    return [{"hand": None, "floor_db": round(level.floor, 2), "points": points}]


def _events(laid: Laid, *, trust: Trust) -> dict[str, Any]:
    usual_db = float(np.median([strike.level_db for strike in laid.strikes]))
    return {
        "floor_db": FLOOR_EXACT_DB if trust.is_exact else FLOOR_EVENT_DB,
        "points": [
            NOWHERE | {"at_s": round(strike.onset_s, 3), "level_db": round(strike.level_db - usual_db, 2)}
            for strike in laid.strikes
        ],
    }


def _tempo(laid: Laid, *, trust: Trust) -> dict[str, Any] | None:
    steady = steadiness_pct(laid, trust=trust) if laid.pulse is not None else None
    if steady is None or laid.pulse is None:
        return None
    bpm: Row = local_bpm(laid)
    stopped = {stop.strike for stop in laid.stops}
    points = [
        NOWHERE
        | {
            "at_s": round(gap.end.onset_s, 3),
            "bpm": round(float(value), 2),
            "is_after_stop": gap.start.event in stopped,
        }
        for gap, value in zip(laid.gaps, bpm, strict=True)
    ]
    return {
        "bpm": round(laid.pulse.bpm, 2),
        "floor_bpm": round(laid.pulse.bpm * steady.floor / 100, 2),
        "points": points,
    }
