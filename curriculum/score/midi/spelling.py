"""Names for keys: which letter and sign a MIDI number is written with, and which signature fits a piece that names none.

MIDI numbers keys only; 61 may be C sharp or D flat. A key is spelt by the nearest place on the line of fifths
(... B flat, F, C, G, D ...), seen from the signature: from three places below its own to eight above, which holds the scale, its usual
neighbours, and the raised notes of the minor. It is a guess, and a warning says so.
"""

from __future__ import annotations

from collections.abc import Mapping

from curriculum.score.notes import STEP_SEMITONES

# Places on the line of fifths, counted from C, that are used around a signature of n fifths: n - 3 to n + 8.
LOWEST_PLACE = -3
_LINE = "FCGDAEB"  # F is place -1


def spell(pitch_midi: int, *, fifths: int) -> tuple[str, int, int]:
    """Return letter, alteration and octave of a key of the piano.

    Parameters
    ----------
    pitch_midi : int
        60 is middle C.
    fifths : int
        Signature, -7 to 7.

    Returns
    -------
    step : str
        ``C`` to ``B``.
    alter : int
        Semitones, -2 to 2.
    octave : int
        4 begins at middle C.

    Examples
    --------
    >>> spell(61, fifths=2), spell(61, fifths=-4)
    (('C', 1, 4), ('D', -1, 4))
    """
    low = fifths + LOWEST_PLACE
    place = low + (pitch_midi * 7 - low) % 12
    step, alter = _LINE[(place + 1) % 7], (place + 1) // 7
    return step, alter, (pitch_midi - alter - STEP_SEMITONES[step]) // 12 - 1


def likely_signature(weights: Mapping[int, float]) -> int:
    """Return the signature whose scale holds most of what sounds.

    Parameters
    ----------
    weights : mapping of int to float
        Pitch class, 0 to 11 with 0 for C, to how long it sounds in all.

    Returns
    -------
    int
        -6 to 6; of equally good ones the one with the fewest signs, 0 for none.

    Examples
    --------
    >>> likely_signature({7: 2.0, 11: 1.0, 2: 1.0, 6: 1.0, 0: 1.0})
    1
    """
    best, most = 0, -1.0
    for fifths in sorted(range(-6, 7), key=lambda number: (abs(number), number)):
        inside = sum(weights.get((7 * place) % 12, 0.0) for place in range(fifths - 1, fifths + 6))
        if inside > most + 1e-9:
            best, most = fifths, inside
    return best
