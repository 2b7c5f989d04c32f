"""A metronome and a voice beside the playing: what the net hears in them is not held against anybody."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from lessons.media.samples import mix_weights
from reviews.compare.settings import CompareSettings
from reviews.sound.company import doubted
from reviews.sound.heard import SURE, HeardNote
from reviews.sound.hearing import Mono, hear
from reviews.sound.listener import Listener
from reviews.sound.recording import Part, Recording, describe
from tests.signals import five_finger, in_room, make_clicks, make_noise, make_take, make_talk

DURATION_S = 26.0
BPM = 80.0
Played = list[tuple[float, float]]


@dataclass(frozen=True)
class Take:
    played: Played
    raw: tuple[HeardNote, ...]
    recording: Recording
    notes: tuple[HeardNote, ...]
    part: Part

    def unplayed(self, notes: Sequence[HeardNote]) -> list[HeardNote]:
        """Notes heard for sure that nobody played."""
        return [note for note in notes if note.confidence >= SURE and not self._is_played(note)]

    def confirmed(self, notes: Sequence[HeardNote]) -> int:
        """Played notes that a comparison would confirm."""
        bar = CompareSettings().accept_from
        return sum(
            any(n.confidence >= bar and n.pitch_midi == pitch and abs(n.onset_s - at_s) < 0.05 for n in notes)
            for at_s, pitch in self.played
        )

    def _is_played(self, note: HeardNote) -> bool:
        return any(note.pitch_midi == pitch and abs(note.onset_s - at_s) < 0.05 for at_s, pitch in self.played)


def by_hand(*, more: Played | None = None) -> Played:
    rng = np.random.default_rng(2)
    notes = [(at_s + float(rng.normal(0, 0.012)), pitch) for at_s, pitch in five_finger(rounds=8, first_s=1.0)]
    return sorted(notes + (more or []))


def heard_with(company: np.ndarray, played: Played, listener: Listener) -> Take:
    dry = make_take(played, duration_s=DURATION_S)
    dry[: len(company)] += company
    sound = (in_room(dry, decay_s=0.4) + make_noise(DURATION_S, rms_db=-60))[None]
    raw = hear(sound, listener=listener).notes
    recording = describe(sound, notes=[note for note in raw if note.confidence >= SURE])
    part = Mono(sound, mix_weights(sound)).part
    return Take(played, raw, recording, doubted(raw, recording=recording, part=part), part)


@pytest.fixture(scope="module")
def listener() -> Listener:
    return Listener()


@pytest.fixture(scope="module")
def clicking(listener) -> Take:
    clicks = make_clicks(bpm=BPM, duration_s=DURATION_S, first_s=0.4, peak=0.15, hz=1976.0)
    # A B6, the key that the clicks sound like, is played twice between them and once with them.
    return heard_with(clicks, by_hand(more=[(5.27, 95.0), (12.4, 95.0), (19.02, 95.0)]), listener)


@pytest.fixture(scope="module")
def talking(listener) -> Take:
    return heard_with(make_talk(12.0, rms_db=-34, seed=3), by_hand(), listener)


def test_what_is_heard_in_a_voice_is_not_alleged(talking):
    assert len(talking.unplayed(talking.raw)) >= 5
    assert talking.unplayed(talking.notes) == []


def test_what_is_played_while_somebody_talks_is_still_confirmed(talking):
    assert talking.confirmed(talking.notes) == talking.confirmed(talking.raw) == len(talking.played)


def test_voice_changes_nothing_once_it_is_silent(talking):
    later = [(raw, note) for raw, note in zip(talking.raw, talking.notes, strict=True) if note.onset_s > 14.0]
    assert len(later) > 25
    assert all(raw == note for raw, note in later)


def test_talk_is_found_under_playing(talking):
    [(start_s, stop_s)] = talking.recording.talk_s
    assert start_s < 2.0
    assert 10.0 < stop_s < 13.0
    assert talking.recording.speech_frac == pytest.approx((stop_s - start_s) / DURATION_S)


@pytest.mark.parametrize("shift_s", [-0.004, 0.0, 0.004])
def test_strikes_heard_in_the_clicks_are_masked(clicking, shift_s):
    # As the net hears them in clicks beside sampled pianos.
    feigned = [
        HeardNote(float(at_s) + shift_s, 95, confidence=0.85)
        for at_s in np.arange(0.4, DURATION_S - 1, 60 / BPM)[::3]
        if abs(at_s - 12.4) > 0.1
    ]
    notes = doubted(feigned, recording=clicking.recording, part=clicking.part)
    assert len(notes) == len(feigned)
    settings = CompareSettings()
    masked = [settings.doubt_from <= note.confidence < settings.accept_from for note in notes]
    # Under one click, beside a strong partial of a played note, nothing dies away.
    assert sum(masked) >= 0.9 * len(masked)


def test_key_that_the_clicks_sound_like_is_heard_where_it_is_played(clicking):
    assert clicking.recording.click_bpm == pytest.approx(BPM, abs=0.1)
    assert clicking.confirmed(clicking.notes) == len(clicking.played)
    assert clicking.unplayed(clicking.notes) == []


def test_faint_note_at_a_click_that_playing_covered_is_masked_and_not_lost(clicking):
    first_s = clicking.recording.click_times_s[0]
    uncovered = replace(clicking.recording, click_times_s=clicking.recording.click_times_s[3:8])
    [note] = doubted([HeardNote(first_s + 0.02, 64, confidence=0.4)], recording=uncovered, part=clicking.part)
    assert 0.08 <= note.confidence < 0.2


def test_notes_are_left_as_they_are_where_nothing_sounds_beside_them(clicking):
    alone = replace(clicking.recording, click_times_s=(), click_bpm=None, talk_s=())
    assert doubted(clicking.raw, recording=alone, part=clicking.part) == clicking.raw


def test_no_note_gains_confidence(clicking, talking):
    for take in (clicking, talking):
        assert all(note.confidence <= raw.confidence for raw, note in zip(take.raw, take.notes, strict=True))
