"""Each situation of practice, drawn at random and heard without fault: the playing is followed through its score."""

from dataclasses import asdict

import pytest

from reviews.compare import CompareSettings, State, match
from reviews.sound.heard import HeardNote
from tests.bench_ear.scoring import expected_of, last_played
from tests.tools.drawn_takes import FAMILIES, drawn_takes

SEED = 1
# Families in which the sound differs and the notes do not.
SOUND_ALONE = {"metronome", "talk", "upright", "soft"}
# Shares of the notes played right that may be held against the player: a slip beside a note may be taken for it.
ACCUSED_FRAC = 0.02


@pytest.mark.parametrize("family", sorted(set(FAMILIES) - SOUND_ALONE))
def test_a_playing_is_followed_whatever_happens_in_it(family):
    [take] = drawn_takes(SEED, counts={family: 1})
    truth = {
        "score": [asdict(note) for note in take.score],
        "played": [asdict(note) for note in take.played],
        "missed": take.missed,
    }
    heard = [HeardNote(note.onset, note.pitch, 0.0, 0.9) for note in take.played]
    result = match(heard, expected=expected_of(truth), settings=CompareSettings())
    last = last_played(truth)
    right = [note for note in result.notes if note.id in last and last[note.id]["pitch"] == note.pitch_midi]
    accused = [note for note in right if note.state in {State.MISSING, State.WRONG_PITCH}]
    assert len(accused) <= ACCUSED_FRAC * len(right)
    if family != "repeated":  # of equal notes nobody can say which one was left out
        off = [
            note for note in right if note.state == State.PLAYED and abs(note.onset_s - last[note.id]["onset"]) > 0.1
        ]
        assert len(off) <= ACCUSED_FRAC * len(right)
    going_back = take.params["restarts"]
    assert len(result.restarts) == len(going_back)
    for told, true in zip(result.restarts, going_back, strict=True):
        assert told.at_s == pytest.approx(true["at_s"], abs=0.5)
    if take.params.get("hand"):
        assert result.hands == {"right" if take.params["hand"] == "R" else "left"}
