"""Standard MIDI Files."""

from curriculum.score.midi.reader import read_midi

__all__ = ["read_midi"]
