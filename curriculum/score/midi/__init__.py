r"""Standard MIDI Files into written scores, with every guess named.

A MIDI file holds keys, times and loudness; a score holds hands, spellings, note values and signatures. What the file says is taken
(time signatures, key signatures, tempi, tracks for hands, pedals); what it does not say is worked out and comes with a warning:

* **note values**: :mod:`curriculum.score.midi.quantising`; ``quantised`` names the bars where notes were moved, ``quantised_coarsely`` says that
  the file was played freely and values may be wrong;
* **hands**: two tracks (or channels) with notes are the two hands, the higher one the right unless they are named; one track is parted at a
  key that is asked for (``hands_from_pitch``), or, where one hand can play all of it, is one staff whose hand is asked for (``which_hand``);
* **spelling**: :mod:`curriculum.score.midi.spelling`; a missing key signature is guessed from what sounds (``key_guessed``);
* **metre**: four-four where none is named (``metre_missing``);
* **pickup**: a first bar of its own, shorter time signature is read as a pickup; nothing else in the file could tell one.

Notes of one hand that overlap become two voices; where they cannot, the earlier one is shortened (``note_overlap``). Drums are left out.

Worked example: two crotchets, played a little unevenly, with no key and no metre named.

>>> from curriculum.score.midi import read_midi
>>> track = b"\x00\x90\x43\x40\x5c\x80\x43\x00\x06\x90\x48\x40\x55\x80\x48\x00\x00\xff\x2f\x00"
>>> score = read_midi(b"MThd\0\0\0\6\0\0\0\1\0\x60" + b"MTrk\0\0\0\x14" + track)
>>> [(note.step, note.offset_beat, note.duration_beat) for note in score.notes]
[('G', Fraction(0, 1), Fraction(1, 1)), ('C', Fraction(1, 1), Fraction(1, 1))]
>>> sorted(str(warning.code) for warning in score.warnings if warning.is_question)
['tempo_missing', 'which_hand']
"""

from curriculum.score.midi.reader import read_midi

__all__ = ["read_midi"]
