"""What of a take is drawn on a page, from what was kept with its comparison. A dimension that is covered is never handed in here."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from curriculum import services as curriculum
from curriculum.models import Score
from curriculum.score import ScoreError, WrittenNote, WrittenScore
from curriculum.score.engraving.errors import EngravingError
from reviews.drawing import (
    PAGE_WIDTH,
    PHONE_WIDTH,
    BarMark,
    Chart,
    DrawingError,
    ExtraMark,
    GapPoint,
    LevelPoint,
    NoteMark,
    Place,
    PlaceMark,
    Shape,
    TempoPoint,
    UnderRow,
    draw_gaps,
    draw_levels,
    draw_tempo,
    mark_score,
    reach,
)

WIDTHS = {"narrow": PHONE_WIDTH, "wide": PAGE_WIDTH}
# Names of keys as they are said; a black key is called by the sharp.
KEYS = ("C", "C sharp", "D", "D sharp", "E", "F", "F sharp", "G", "G sharp", "A", "A sharp", "B")
STEPS = "CDEFGAB"
# White key at or below each of the twelve, as a step of the scale.
STEP_OF = (0, 0, 1, 1, 2, 3, 3, 4, 4, 5, 5, 6)


@dataclass(frozen=True, slots=True)
class DrawnChart:
    """One chart in both widths."""

    narrow: Chart
    wide: Chart
    note: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that is marked, in words, with the moment at which it is heard."""

    text: str
    at_s: float | None
    shape: str


@dataclass(frozen=True, slots=True)
class MarkedScore:
    """A stretch of a score with its marks: pictures for phones and for desk and paper, and the same as a list."""

    narrow: tuple[str, ...]
    wide: tuple[str, ...]
    entries: tuple[Entry, ...]
    shapes: frozenset[str]
    rows: tuple[UnderRow, ...]
    part: int
    parts: int

    @property
    def kinds_of_rows(self) -> tuple[bool, ...]:
        """What is drawn under the notes, once each for both hands: levels (true) or times (false)."""
        return tuple(dict.fromkeys(row.is_level for row in self.rows))

    @property
    def part_after(self) -> int:
        """The next part; 0 where this is the last."""
        return (self.part + 1) % self.parts


# Charts ------------------------------------------------------------------------------------------------------------


def charts_of(
    dimension: str, series: Mapping[str, Any], *, asked_bpm: float | None, shown: Collection[str]
) -> list[DrawnChart]:
    """Return the charts of one dimension that the learner has marked; `shown` are all that are marked."""
    charts: list[DrawnChart] = []
    if dimension == "rhythm":
        charts += _gap_charts(series.get("gaps") or [])
        charts += _tempo_charts(series.get("tempo"), asked_bpm=asked_bpm, shows_stops="fluency" in shown)
    elif dimension == "evenness":
        charts += _key_charts(series.get("keys") or [])
    elif dimension == "dynamics-balance":
        charts += _event_charts(series.get("events"))
    return charts


def _gap_charts(hands: Sequence[Mapping[str, Any]]) -> list[DrawnChart]:
    every = [point["late_ms"] for hand in hands for point in hand["points"]]
    ends = reach(every, floor=max((hand["floor_ms"] for hand in hands), default=0.0))
    charts = []
    for hand in hands:
        points = [GapPoint(point["at_s"], point["gap_ms"], point["late_ms"], **_place(point)) for point in hand["points"]]  # fmt: skip
        title = _of_hand("Gaps between notes", hand.get("hand"), count=len(hands))
        than = "the rhythm that was typed" if hand.get("is_typed") else "even"
        charts += _both(
            partial(draw_gaps, points, title=title, floor_ms=hand["floor_ms"], reach_ms=ends),
            name=f"gaps-{hand.get('hand') or 'all'}",
            note=f"How much later or earlier than {than} each note came. Grey: too close to tell in this recording.",
        )
    return charts


def _tempo_charts(tempo: Mapping[str, Any] | None, *, asked_bpm: float | None, shows_stops: bool) -> list[DrawnChart]:
    if not tempo or len(tempo["points"]) < 2:
        return []
    points = [
        TempoPoint(point["at_s"], point["bpm"], **_place(point), is_after_stop=shows_stops and point.get("is_after_stop", False))
        for point in tempo["points"]
    ]  # fmt: skip
    return _both(
        partial(
            draw_tempo,
            points,
            title="Tempo from start to end",
            bpm=tempo["bpm"],
            floor_bpm=tempo["floor_bpm"],
            asked_bpm=asked_bpm,
        ),
        name="tempo",
        note=f"Beats a minute around each note{', stops left out and marked below' if shows_stops and any(point.is_after_stop for point in points) else ''}. Grey: too close to the usual tempo to tell.",
    )


def _key_charts(hands: Sequence[Mapping[str, Any]]) -> list[DrawnChart]:
    every = [point["level_db"] for hand in hands for point in hand["points"]]
    ends = reach(every, floor=max((hand["floor_db"] for hand in hands), default=0.0))
    charts = []
    for hand in hands:
        points = [LevelPoint(point["at_s"], point["level_db"], **_place(point)) for point in hand["points"]]
        title = _of_hand("Each key against itself", hand.get("hand"), count=len(hands))
        charts += _both(
            partial(draw_levels, points, title=title, floor_db=hand["floor_db"], reach_db=ends),
            name=f"keys-{hand.get('hand') or 'all'}",
            note="How much louder or softer than usual each key was struck. Grey: too close to tell in this recording.",
        )
    return charts


def _event_charts(events: Mapping[str, Any] | None) -> list[DrawnChart]:
    if not events or not events["points"]:
        return []
    points = [LevelPoint(point["at_s"], point["level_db"], **_place(point)) for point in events["points"]]
    return _both(
        partial(
            draw_levels,
            points,
            title="Loud and soft, stroke by stroke",
            floor_db=events["floor_db"],
            marks_loud=False,
        ),
        name="events",
        note="Against the middle of the take. A room makes keys unlike, so small steps tell nothing.",
    )


def _both(draw: Callable[..., Chart], *, name: str, note: str) -> list[DrawnChart]:
    try:
        narrow, wide = (draw(name=f"{name}-{layout}", width=width) for layout, width in WIDTHS.items())
    except DrawingError:
        return []
    return [DrawnChart(narrow=narrow, wide=wide, note=note)] if narrow.svg else []


def _place(point: Mapping[str, Any]) -> dict[str, str]:
    bar = str(point.get("bar") or "")
    return {"where": _where(point) if bar else "", "bar": bar}


def _where(point: Mapping[str, Any]) -> str:
    beat = point.get("beat")
    return f"bar {point['bar']}" + (f", beat {beat:.3g}" if beat is not None else "")


def _of_hand(words: str, hand: str | None, *, count: int) -> str:
    return f"{words}, {hand} hand" if hand and count > 1 else words


# The marked score --------------------------------------------------------------------------------------------------


def marked_score(
    score: Score, series: Mapping[str, Any], *, shown: Collection[str], part: int = 0
) -> MarkedScore | None:
    """Return a stretch of the score, marked in the dimensions that are shown; None where there is no picture, or nothing to show on it."""
    try:
        written = curriculum.written_of(score)
        parts = max(len(score.facts.get("stretches") or []), 1)
        part = min(max(part, 0), parts - 1)
        picture = curriculum.picture_of(score, stretch=part)
    except (ScoreError, EngravingError, OSError):
        return None
    notes, extras, places, bars, rows = _marks(series, written=written, shown=shown)
    entries = sorted(
        [
            *_entries_of_faults(series, shown=shown),
            *_entries_of_places(series, shown=shown),
            *(Entry(mark.text, None, "repeated") for mark in bars),
        ],
        key=lambda entry: (entry.at_s is None, entry.at_s or 0.0),
    )
    told = f"{len(entries)} {'thing is' if len(entries) == 1 else 'things are'} marked, as listed below." if entries else "Nothing is marked."  # fmt: skip
    drawn: dict[str, tuple[str, ...]] = {}
    try:
        for layout, pages in picture.pages.items():
            drawn[layout] = tuple(
                mark_score(
                    page,
                    words_for_all=told,
                    name=f"score-{layout}-{number}",
                    notes=notes,
                    extras=extras,
                    places=places,
                    bars=bars,
                    rows=rows,
                )
                for number, page in enumerate(pages)
            )
    except DrawingError:
        return None
    shapes = frozenset(entry.shape for entry in entries)
    return MarkedScore(drawn["narrow"], drawn["wide"], tuple(entries), shapes, tuple(rows), part, parts)


def _marks(
    series: Mapping[str, Any], *, written: WrittenScore, shown: Collection[str]
) -> tuple[list[NoteMark], list[ExtraMark], list[PlaceMark], list[BarMark], list[UnderRow]]:
    notes: list[NoteMark] = []
    extras: list[ExtraMark] = []
    places: list[PlaceMark] = []
    bars: list[BarMark] = []
    if "notes" in shown:
        notes = [NoteMark(each["id"], Shape(each["state"].replace("wrong_pitch", "wrong")), _fault_words(each)) for each in series.get("faults", [])]  # fmt: skip
        extras = [mark for each in series.get("extra", []) if (mark := _extra_mark(each, written)) is not None]
        again = set(series.get("repeated", []))
        bars = [BarMark(bar.index, f"Bar {bar.number} went wrong each time") for bar in written.bars if bar.number in again]  # fmt: skip
    if "fluency" in shown:
        places = [PlaceMark(each["id"], Place.STOP, _stop_words(each)) for each in series.get("stops", [])]
        for number, each in enumerate(series.get("restarts", []), start=1):
            for end, place in (("from_id", Place.BACK_FROM), ("to_id", Place.BACK_TO)):
                if each[end]:
                    places.append(PlaceMark(each[end], place, _back_words(each), number=number))
    return notes, extras, places, bars, _rows(series, shown=shown)


def _rows(series: Mapping[str, Any], *, shown: Collection[str]) -> list[UnderRow]:
    rows: list[UnderRow] = []
    kinds = (("rhythm", "gaps", "late_ms", "floor_ms", "Time", "ms"), ("evenness", "keys", "level_db", "floor_db", "Level", "dB"))  # fmt: skip
    for dimension, key, value, floor, label, unit in kinds:
        hands = (series.get(key) or []) if dimension in shown else []
        ends = reach([point[value] for hand in hands for point in hand["points"]], floor=max((hand[floor] for hand in hands), default=0.0))  # fmt: skip
        for hand in hands:
            values: dict[str, list[float]] = {}
            for point in hand["points"]:
                values.setdefault(point["id"], []).append(point[value])
            name = str(hand["hand"]).capitalize() if len(hands) > 1 else label
            rows.append(UnderRow(label=name, unit=unit, floor=hand[floor], ends=ends, values=values, is_level=key == "keys"))  # fmt: skip
    return rows


def _extra_mark(each: Mapping[str, Any], written: WrittenScore) -> ExtraMark | None:
    by_id = {note.id: note for note in written.notes}
    beside = [by_id[note_id] for note_id in (each["after"], each["before"]) if note_id in by_id]
    if not beside:
        return None
    # On the staff whose notes lie nearest: the diamond belongs to a hand as little as it can be told.
    bars = {note.bar for note in beside}
    near = min((note for note in written.notes if note.bar in bars), key=lambda note: abs(note.pitch_midi - each["pitch_midi"]))  # fmt: skip
    return ExtraMark(each["after"], each["before"], each["frac"], near.id, _steps(near, each["pitch_midi"]), _extra_words(each))  # fmt: skip


def _steps(near: WrittenNote, pitch_midi: int) -> int:
    """Return how many steps of the scale a key lies above a written note."""
    if near.pitch_midi == pitch_midi:
        return 0
    octave, key = divmod(pitch_midi, 12)
    return 7 * (octave - 1) + STEP_OF[key] - (7 * near.octave + STEPS.index(near.step))


# The same in words -------------------------------------------------------------------------------------------------


def _entries_of_faults(series: Mapping[str, Any], *, shown: Collection[str]) -> list[Entry]:
    if "notes" not in shown:
        return []
    return [
        *(Entry(_fault_words(each), each["at_s"], each["state"]) for each in series.get("faults", [])),
        *(Entry(_extra_words(each), each["at_s"], "extra") for each in series.get("extra", [])),
    ]


def _entries_of_places(series: Mapping[str, Any], *, shown: Collection[str]) -> list[Entry]:
    if "fluency" not in shown:
        return []
    return [
        *(Entry(_stop_words(each), each["at_s"], "stop") for each in series.get("stops", [])),
        *(Entry(_back_words(each), each["at_s"], "restart") for each in series.get("restarts", [])),
    ]


def _fault_words(each: Mapping[str, Any]) -> str:
    where, written = _where(each).capitalize(), key_name(each["pitch_midi"])
    if each["state"] == "wrong_pitch":
        heard = each.get("heard_midi")
        return f"{where}: another key was heard{f', {key_name(heard)}' if heard is not None else ''} where {written} is written"
    if each["state"] == "missing":
        return f"{where}: {written} was not heard"
    return f"{where}: whether {written} was played cannot be told from this recording"


def _extra_words(each: Mapping[str, Any]) -> str:
    return f"Bar {each['bar']}: {key_name(each['pitch_midi'])} was heard and is not written"


def _stop_words(each: Mapping[str, Any]) -> str:
    return f"{_where(each).capitalize()}: a stop of {each['lost_s']:.1f} seconds before it"


def _back_words(each: Mapping[str, Any]) -> str:
    return f"You went back from bar {each['from_bar']} to bar {each['to_bar']}"


def key_name(pitch_midi: int) -> str:
    """Return what a key is called, without its octave."""
    return KEYS[pitch_midi % 12]


# Where something is heard ------------------------------------------------------------------------------------------

# Places that a finding offers to be heard at; the rest are in the list under the score.
MOST_HEARD = 3


def moments_of(kind: str, series: Mapping[str, Any], *, hand: str | None) -> list[tuple[str, float]]:
    """Return where a finding is best heard: words and seconds of the clip."""
    found: list[tuple[str, float]] = []
    if kind == "right_notes":
        sure = [each for each in series.get("faults", []) if each["state"] != "cannot_tell" and each["at_s"] is not None]  # fmt: skip
        found = [(_bar(each), each["at_s"]) for each in [*sure, *series.get("extra", [])]]
    elif kind == "repeated_spot":
        again = set(series.get("repeated", []))
        found = [(_bar(each), each["at_s"]) for each in series.get("faults", []) if each["bar"] in again and each["at_s"] is not None]  # fmt: skip
    elif kind == "hesitations":
        found = [(_bar(each), each["at_s"]) for each in series.get("stops", [])]
    elif kind == "restarts":
        found = [(f"from bar {each['from_bar']}", each["at_s"]) for each in series.get("restarts", [])]
    elif kind in {"gaps", "even_level"}:
        key, value, floor = ("gaps", "late_ms", "floor_ms") if kind == "gaps" else ("keys", "level_db", "floor_db")
        for row in series.get(key) or []:
            if row.get("hand") == hand:
                far = sorted((point for point in row["points"] if abs(point[value]) > row[floor]), key=lambda point: -abs(point[value]))  # fmt: skip
                found = [(_bar(point), point["at_s"]) for point in far]
    unique: dict[str, float] = {}
    for words, at_s in found:
        unique.setdefault(words or f"{at_s:.0f}", at_s)
    return list(unique.items())[:MOST_HEARD]


def _bar(point: Mapping[str, Any]) -> str:
    bar = str(point.get("bar") or "")
    return f"bar {bar}" if bar else f"at {int(point['at_s']) // 60}:{int(point['at_s']) % 60:02}"
