"""What the comparison takes for granted, in one frozen place, so that a service can set it and a result can name its version."""

from dataclasses import dataclass

# Changes whenever a result may change; stored with each result.
VERSION = 3


@dataclass(frozen=True, slots=True)
class CompareSettings:
    """Bars and windows of the comparison.

    ``accept_from`` is the confidence from which a heard note confirms one that is written, ``allege_from`` the one from which it may be
    held against the player; between ``doubt_from`` and ``accept_from`` it only keeps a note from being called missing. Measured on rendered
    takes: ghosts of the listener lie almost all under 0.5, true notes in a poor room go down to 0.2.

    ``window_frac`` and ``most_window_s`` bound how far from its expected moment a note is looked for: a share of the gap to the nearest
    other strike of the same key, or of the neighbouring events. ``hesitation_ratio`` is from rubric.yaml: a gap longer than 1.6 times the
    local beat. ``least_notes`` is how many notes a verdict on evenness needs (relative standard error of an SD at 24: 15 %).

    An upper note of an octave is called missing only where this take hears octaves apart thereabouts: at least ``octave_least`` others
    within ``octave_reach`` semitones, each from ``octave_clear_from`` up. Measured on three pianos, phone sound: of 17 upper notes that
    were played and left no trace none passes, of 28 that were not played 18 do; on takes drawn afterwards 1 of 4 and 3 of 8. A smaller
    reach or number lets more of those pass that were played.

    ``equal_margin`` is by how much, in natural logarithms of the gaps, one telling of which of several equal strikes is missing must be
    better than the next: 0.3 is one gap of 1.6 beside one of 1.4 where 2 and 1 are written. Lower, and unsteady playing is guessed at;
    higher, and steady playing is left open.
    """

    accept_from: float = 0.2
    allege_from: float = 0.5
    doubt_from: float = 0.08
    window_frac: float = 0.45
    least_window_s: float = 0.07
    most_window_s: float = 0.30
    same_strike_s: float = 0.06
    hesitation_ratio: float = 1.6
    least_hesitation_s: float = 0.15
    least_notes: int = 24
    low_pitch_midi: int = 48
    least_heard_frac: float = 0.25
    octave_reach: int = 4
    octave_least: int = 3
    octave_clear_from: float = 0.3
    equal_margin: float = 0.3
