"""One door for files: what they are is told by their bytes, never by their names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from curriculum.score.abc import read_abc
from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.guard import USUAL_LIMITS, FileKind, ScoreLimits, decode_text, sniff
from curriculum.score.midi import read_midi
from curriculum.score.musicxml import read_musicxml
from curriculum.score.notes import WrittenScore


def read_score(
    source: Path | bytes, *, name: str = "", answers: Answers = NO_ANSWERS, limits: ScoreLimits = USUAL_LIMITS
) -> WrittenScore:
    r"""Return what a score file says for two hands at a piano.

    Parameters
    ----------
    source : Path or bytes
        MusicXML (plain or packed), a Standard MIDI File, or ABC.
    name : str
        What the learner calls it. It becomes the title where the file has none; nothing else is read out of it.
    answers : Answers
        To questions of an earlier reading.
    limits : ScoreLimits
        How much is accepted. At most one byte more than that is read from a path.

    Returns
    -------
    WrittenScore
        With a warning for every doubt.

    Raises
    ------
    ScoreError
        If the file is no score, is too large, or contradicts itself. ``code`` and ``where`` say why and where.
    OSError
        If the path cannot be read.

    Examples
    --------
    >>> score = read_score(b"X:1\nM:3/4\nL:1/4\nK:G\nG A F|G3|]\n", name="Three beats")
    >>> score.title, [note.pitch_midi for note in score.notes]
    ('Three beats', [67, 69, 66, 67])
    """
    if isinstance(source, bytes):
        data = source
    else:
        with source.open("rb") as opened:
            data = opened.read(limits.most_bytes + 1)
    kind, payload = sniff(data, limits=limits)
    if kind is FileKind.MUSICXML:
        score = read_musicxml(payload, answers=answers, limits=limits)
    elif kind is FileKind.MIDI:
        score = read_midi(payload, answers=answers, limits=limits)
    else:
        score = read_abc(decode_text(payload, limits=limits), answers=answers, limits=limits)
    return score if score.title or not name else replace(score, title=" ".join(name.split())[:200])
