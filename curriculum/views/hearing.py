"""Hearing a score: what the page's script plays, and the recorded notes that it plays with."""

from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.http import FileResponse, Http404, HttpResponse, JsonResponse
from django.urls import reverse
from django.views.decorators.http import require_safe

from curriculum import services
from curriculum.models import Score
from curriculum.queries import LearnerRequest, get_score
from curriculum.score import ScoreError
from curriculum.score.sounding import DEFAULT_BPM, Sounding, sounding

# Digits behind the point of a second: a hundredth of a frame of sound.
DIGITS = 7
# Seconds for which a browser keeps a recorded note: it is the same until another set of recordings is chosen.
KEPT_S = 30 * 24 * 3600


def hearing_of(found: Score, *, stretch: int) -> dict[str, Any]:
    """Return what the sentence on a score's page begins with; `stretch` is the part that stands there, from 0."""
    numbers = found.facts.get("bar_numbers") or found.facts.get("numbers") or ["1"]
    cuts = found.facts.get("stretches") or []
    first, last = cuts[stretch] if cuts else (0, len(numbers) - 1)
    bpm = found.facts.get("bpm")
    words = "That is # quarters a minute."
    return {
        "address": reverse("curriculum:score-sound", args=[found.pk]),
        "from": numbers[first],
        "to": numbers[min(last, len(numbers) - 1)],
        "has_hands": {"right", "left"} <= set(found.facts.get("hands", [])),
        "per_minute": f"{bpm or float(DEFAULT_BPM):g}",
        "tempo_words": words if bpm else f"{words} The score names no tempo; 100 stands for {int(DEFAULT_BPM)}.",
        "is_recorded": bool(recorded_keys()),
    }


@require_safe
def score_sound(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """What is due when, at the written tempo; and where the recorded notes are."""
    found = get_score(request.user, pk)
    try:
        written = services.written_of(found)
        heard = sounding(written)
    except (OSError, ScoreError) as error:
        raise Http404 from error
    recorded = {key: reverse("curriculum:piano-note", args=[key]) for key in recorded_keys()}
    content = {"numbers": [bar.number for bar in written.bars], "recorded": recorded, **_as_data(heard)}
    return JsonResponse(content, headers={"Cache-Control": "private, no-cache"})


def _as_data(heard: Sounding) -> dict[str, Any]:
    return {
        "bpm": heard.bpm,
        "is_written": heard.is_written,
        "bars": [
            {
                "index": bar.index,
                "at_s": round(bar.at_s, DIGITS),
                "end_s": round(bar.end_s, DIGITS),
                "metre": bar.metre,
                "beat_s": bar.beat_s,
                "missing_beat": bar.missing_beat,
            }
            for bar in heard.bars
        ],
        "metres": [{"length_beat": metre.length_beat, "pulses_beat": metre.pulses_beat} for metre in heard.metres],
        "clicks": [[round(click.at_s, DIGITS), click.is_first] for click in heard.clicks],
        "notes": [
            {
                "at_s": round(note.at_s, DIGITS),
                "end_s": round(note.end_s, DIGITS),
                "pitch": note.pitch_midi,
                "hand": note.hand,
                "bar": note.bar,
                "heads": [[head.id, round(head.at_s, DIGITS), round(head.until_s, DIGITS)] for head in note.heads],
            }
            for note in heard.notes
        ],
        "unplayed": heard.unplayed,
    }


def recorded_keys() -> list[int]:
    """Return the keys of which there is a recorded note, as MIDI numbers; none where set-up could not fetch them."""
    return sorted(int(path.stem) for path in Path(settings.KEYSLIP_PIANO).glob("*.mp3") if path.stem.isdecimal())


@require_safe
def piano_note(request: LearnerRequest, pitch_midi: int) -> FileResponse:  # noqa: ARG001
    """One recorded note of a piano."""
    try:
        file = (Path(settings.KEYSLIP_PIANO) / f"{pitch_midi}.mp3").open("rb")
    except OSError as error:
        raise Http404 from error
    return FileResponse(
        file,
        content_type="audio/mpeg",
        headers={"Cache-Control": f"private, max-age={KEPT_S}", "X-Content-Type-Options": "nosniff"},
    )
