"""What drawings of a take are made of: the same findings note by note, each dimension apart from the others."""

import json
from dataclasses import replace
from random import Random

import pytest

from reviews.compare import Trust, compare
from reviews.compare.series import series_json
from tests.reviews.compare.performing import perform
from tests.reviews.compare.scores import written


def series_of(name: str, *, shift_s: float = 0.0, **faults):
    expected = written(name)
    heard = [replace(note, onset_s=note.onset_s + shift_s) for note in perform(expected, random=Random(3), **faults).heard]  # fmt: skip
    return series_json(compare(heard, expected=expected, trust=Trust()), heard=heard, trust=Trust())


def test_perfect_playing_has_no_fault_and_no_gap_out_of_line():
    series = series_of("five fingers", jitter_s=0.0)
    assert series["faults"] == series["extra"] == series["stops"] == series["restarts"] == []
    [gaps] = series["gaps"]
    assert max(abs(point["late_ms"]) for point in gaps["points"]) < 0.2
    assert {round(point["bpm"]) for point in series["tempo"]["points"]} == {80}
    json.dumps(series)


def test_a_stop_is_told_apart_and_is_no_gap():
    series = series_of("five fingers", hesitations=[9])
    [stop] = series["stops"]
    assert stop["lost_s"] == pytest.approx(1.2, abs=0.1)
    assert stop["id"] not in {point["id"] for point in series["gaps"][0]["points"]}
    assert [point["is_after_stop"] for point in series["tempo"]["points"]].count(True) == 1


def test_going_back_names_the_notes_it_goes_from_and_to():
    [restart] = series_of("five fingers", restarts=[(17, 8)])["restarts"]
    assert restart["from_id"] != restart["to_id"]
    assert restart["from_id"]
    assert restart["to_id"]


def test_what_was_not_reached_is_no_fault():
    expected = written("five fingers")
    heard = perform(expected, random=Random(3)).heard
    heard = heard[: len(heard) // 2]
    series = series_json(compare(heard, expected=expected, trust=Trust()), heard=heard, trust=Trust())
    assert series["faults"] == []


def test_later_playing_has_the_same_values():
    def without_times(value):
        if isinstance(value, dict):
            return {key: without_times(each) for key, each in value.items() if key != "at_s"}
        return [without_times(each) for each in value] if isinstance(value, list) else value

    faults = {"wrong": 0.05, "missed": 0.05, "extra": 0.05, "jitter_s": 0.0}
    first, later = (series_of("five fingers", shift_s=shift_s, **faults) for shift_s in (0.0, 7.0))
    assert first["faults"]
    assert without_times(first) == without_times(later)


def test_with_nothing_heard_there_is_nothing_to_draw():
    series = series_json(compare([], expected=written("scale"), trust=Trust()), heard=[], trust=Trust())
    assert not any(series[key] for key in ("faults", "extra", "stops", "restarts", "gaps", "keys", "events", "tempo"))
