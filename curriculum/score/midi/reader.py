"""A Standard MIDI File into a written score."""

from __future__ import annotations

from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.errors import RefusalCode, ScoreFileError
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits
from curriculum.score.notes import WrittenScore


def read_midi(data: bytes, *, answers: Answers = NO_ANSWERS, limits: ScoreLimits = USUAL_LIMITS) -> WrittenScore:
    del data, answers, limits
    raise ScoreFileError("MIDI files are not read yet.", code=RefusalCode.NOT_A_SCORE)
