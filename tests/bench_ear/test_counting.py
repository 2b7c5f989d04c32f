import json
from collections import Counter

import pytest

from reviews.compare.measures import Measure
from tests.bench_ear.__main__ import in_turn, merged
from tests.bench_ear.coverage import Sum
from tests.bench_ear.scoring import Tally
from tests.bench_ear.tables import families_table, targets_table
from tests.tools.drawn_takes import drawn_takes


def make_tally(**counts):
    tally = Tally(counts=Counter({name.replace("_", " "): count for name, count in counts.items()}))
    tally.errors_ms, tally.ioi_ms, tally.flux = [0.25, -0.5, 3.0], [(10.0, 10.2), (10.0, 20.0)], [0.5]
    return tally


def make_run(path, *, seed, piano):
    sums = dict.fromkeys(("heard_s", "cpu_s", "peer_heard_s", "peer_cpu_s"), 1.0)
    tallies = [[piano, "minuet", "phone", make_tally(takes=1, notes=90, answered=81).as_json()]]
    path.write_text(json.dumps({"seed": seed, "sums": sums, "fresh": [], "tallies": tallies}))
    return path


def test_a_tally_comes_back_from_its_file_as_it_was():
    tally = make_tally(notes=90, wrong_found=3)
    assert Tally.from_json(json.loads(json.dumps(tally.as_json()))) == tally


def test_runs_of_two_processes_are_counted_together(tmp_path):
    files = [make_run(tmp_path / "one", seed=1, piano="timgm"), make_run(tmp_path / "two", seed=1, piano="mscore")]
    tallies, runs = merged(files)
    assert len(runs) == 2
    assert {"| timgm | minuet", "| mscore | minuet", "| unseen | minuet"} <= {
        line.split(" | phone")[0] for line in families_table(tallies)
    }
    answered = next(line for line in targets_table(tallies) if line.startswith("| answered, %, `phone`"))
    assert "90.0 (92) NO" in answered


def test_the_same_takes_never_count_twice(tmp_path):
    files = [make_run(tmp_path / "one", seed=1, piano="timgm"), make_run(tmp_path / "two", seed=1, piano="timgm")]
    with pytest.raises(SystemExit, match="counted twice"):
        merged(files)


def test_what_was_learnt_from_counts_for_nothing_wanted(tmp_path):
    tallies, _ = merged([make_run(tmp_path / "one", seed=1, piano="salamander")])
    assert all("NO" not in line and "yes" not in line for line in targets_table(tallies))


def test_of_a_run_cut_short_each_family_was_heard_by_its_size():
    takes = list(in_turn(list(drawn_takes(1, counts={"five-finger": 2, "repeated": 4}))))
    assert [take.params["family"] for take in takes[:3]].count("repeated") == 2
    assert len(takes) == 6


def test_truth_inside_and_outside_an_interval_is_told_apart():
    sums = Sum()
    sums.add([Measure(5, 4, 6, 1, 30), Measure(9, 8, 10, 1, 30), None], [5.5, 5.5, 5.5])
    assert (sums.renderings, sums.not_told, sums.held) == (3, 1, 1)
    # Neither rendering's number lies in the other's interval.
    assert (sums.pairs, sums.agreeing) == (2, 0)
