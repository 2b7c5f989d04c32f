"""What the page that plays a score is told, and the recorded notes that it fetches."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Learner, Score
from curriculum.score import PlannedNote, Tempo, WrittenScore, make_score, plain_bars
from curriculum.score.engraving.drawing import Engraving
from curriculum.score.engraving.errors import EngravingError
from curriculum.services import scores as score_services


@pytest.fixture(autouse=True)
def data(settings, tmp_path: Path) -> Path:
    settings.KEYSLIP_DATA = tmp_path / "data"
    return tmp_path / "data"


@pytest.fixture(autouse=True)
def piano(settings, tmp_path: Path) -> Path:
    """A folder for recorded notes, with none in it."""
    settings.KEYSLIP_PIANO = tmp_path / "piano"
    (tmp_path / "piano").mkdir()
    return tmp_path / "piano"


@pytest.fixture(autouse=True)
def _drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stands for the engraver: its own tests run it."""

    def draw(written: object, *, bars: tuple[int, int] | None = None) -> Engraving:
        first, last = bars or (0, 0)
        return Engraving(first_bar=first, last_bar=last, pages={"narrow": ("<svg></svg>",), "wide": ("<svg></svg>",)})

    monkeypatch.setattr(score_services, "engrave", draw)


def steps(*, bpm: int | None = 120) -> WrittenScore:
    """Return a bar and a pickup: four quarters up from C after a G, the second of them staccato; the left hand holds a C."""
    planned = [
        PlannedNote(Fraction(-1), Fraction(1), "G", hand="right"),
        *(
            PlannedNote(
                Fraction(i), Fraction(1), "CDEF"[i], hand="right", articulations=("staccato",) if i == 1 else ()
            )
            for i in range(4)
        ),
        PlannedNote(Fraction(0), Fraction(4), "C", octave=3, hand="left"),
    ]
    written = make_score(planned, bars=plain_bars(1, pickup_beat=Fraction(1)))
    tempi = (Tempo(0, Fraction(0), Fraction(bpm), value="quarter", per_minute=str(bpm)),) if bpm else ()
    return replace(written, tempi=tempi)


def keep(learner: Learner, written: WrittenScore) -> Score:
    return services.add_score(learner, written=written, source=Score.Source.TYPED, title="Steps")


@pytest.fixture
def score(learner: Learner) -> Score:
    return keep(learner, steps())


def sound_of(client: Client, score: Score) -> dict:
    answer = client.get(reverse("curriculum:score-sound", args=[score.pk]))
    assert answer.status_code == 200
    return answer.json()


# What is due when -----------------------------------------------------------------------------------------------------


def test_the_page_is_told_when_each_key_goes_down_and_up_and_which_note_that_is(ada: Client, score: Score):
    sound = sound_of(ada, score)
    by_head = {note.id: note for note in services.written_of(score).notes}
    told = [
        (note["at_s"], note["end_s"], note["pitch"], note["hand"], note["bar"], [at for _, at, _ in note["heads"]])
        for note in sound["notes"]
    ]
    assert told == [
        (0.0, 0.5, 67, "right", 0, [0.0]),
        (0.5, 2.5, 48, "left", 1, [0.5]),
        (0.5, 1.0, 60, "right", 1, [0.5]),
        (1.0, 1.25, 62, "right", 1, [1.0]),
        (1.5, 2.0, 64, "right", 1, [1.5]),
        (2.0, 2.5, 65, "right", 1, [2.0]),
    ]
    assert [by_head[head].pitch_midi for note in sound["notes"] for head, _, _ in note["heads"]] == [
        note["pitch"] for note in sound["notes"]
    ]
    assert (sound["bpm"], sound["is_written"], sound["numbers"], sound["unplayed"]) == (120, True, ["0", "1"], [])
    assert sound["metres"] == [{"length_beat": 4, "pulses_beat": [0, 1, 2, 3]}]
    assert sound["clicks"] == [[0, False], [0.5, True], [1, False], [1.5, False], [2, False]]
    assert [(bar["index"], bar["at_s"], bar["end_s"], bar["beat_s"], bar["missing_beat"]) for bar in sound["bars"]] == [
        (0, 0, 0.5, 0.5, 3), (1, 0.5, 2.5, 0.5, 0),
    ]  # fmt: skip


def test_a_score_without_a_tempo_is_told_the_usual_one_and_that_nobody_wrote_it(ada: Client, learner: Learner):
    score = keep(learner, steps(bpm=None))
    sound = sound_of(ada, score)
    assert (sound["bpm"], sound["is_written"]) == (60, False)
    assert "The score names no tempo; 100 stands for 60." in ada.get(reverse("curriculum:score", args=[score.pk])).text


def test_what_was_changed_is_told_at_once(ada: Client, score: Score):
    address = reverse("curriculum:score-sound", args=[score.pk])
    assert ada.get(address)["Cache-Control"] == "private, no-cache"
    services.rewrite_score(score, written=steps(bpm=60), title="Steps")
    assert ada.get(address).json()["bpm"] == 60


def test_the_page_asks_in_few_queries(ada: Client, score: Score, django_assert_max_num_queries):
    with django_assert_max_num_queries(4):
        sound_of(ada, score)


@pytest.mark.parametrize("damage", ["gone", "no score"])
def test_a_score_whose_file_is_gone_or_damaged_cannot_be_heard(ada: Client, score: Score, damage: str):
    if damage == "gone":
        score.musicxml_path.unlink()
    else:
        score.musicxml_path.write_bytes(b"<nothing/>")
    assert ada.get(reverse("curriculum:score-sound", args=[score.pk])).status_code == 404


def test_a_page_without_a_picture_offers_nothing_to_hear(ada: Client, score: Score, monkeypatch: pytest.MonkeyPatch):
    def fail(*_: object, **__: object) -> Engraving:
        raise EngravingError("The engraver did not answer.")

    monkeypatch.setattr(score_services, "engrave", fail)
    assert "data-hear" not in ada.get(reverse("curriculum:score", args=[score.pk])).text


def test_a_hand_is_offered_only_where_there_are_two(ada: Client, learner: Learner, score: Score):
    one = replace(steps(), notes=tuple(note for note in steps().notes if note.hand == "right"))
    alone = keep(learner, one)
    assert "the left hand</option>" in ada.get(reverse("curriculum:score", args=[score.pk])).text
    assert "the left hand</option>" not in ada.get(reverse("curriculum:score", args=[alone.pk])).text


# The recorded notes ---------------------------------------------------------------------------------------------------


def told_of_the_piano(client: Client, score: Score) -> tuple[bool, bool]:
    """Return whether the page names the recorded piano, and whether it names the plain tone."""
    page = client.get(reverse("curriculum:score", args=[score.pk])).text
    return "<span data-hear-recorded>" in page, "<span data-hear-plain>" in page


def test_the_page_is_told_where_the_recorded_notes_are(ada: Client, score: Score, piano: Path):
    for name in ("60.mp3", "63.mp3", "60.mp3.part", "readme.txt", "x.mp3", "-1.mp3"):
        (piano / name).write_bytes(b"sound")
    assert sound_of(ada, score)["recorded"] == {
        key: reverse("curriculum:piano-note", args=[int(key)]) for key in ("60", "63")
    }
    assert told_of_the_piano(ada, score) == (True, False)


@pytest.mark.parametrize("is_there", [True, False])
def test_without_recorded_notes_the_page_says_that_a_plain_tone_plays(
    ada: Client, score: Score, piano: Path, is_there: bool
):
    if not is_there:
        piano.rmdir()
    assert sound_of(ada, score)["recorded"] == {}
    assert told_of_the_piano(ada, score) == (False, True)


def test_a_recorded_note_comes_as_sound_that_a_browser_keeps(ada: Client, piano: Path):
    (piano / "60.mp3").write_bytes(b"sound")
    answer = ada.get(reverse("curriculum:piano-note", args=[60]))
    assert (answer.status_code, answer.getvalue()) == (200, b"sound")
    assert answer["Content-Type"] == "audio/mpeg"
    assert answer["Cache-Control"] == "private, max-age=2592000"
    assert answer["X-Content-Type-Options"] == "nosniff"
    head = ada.head(reverse("curriculum:piano-note", args=[60]))
    assert (head.status_code, head.getvalue()) == (200, b"")


@pytest.mark.parametrize(
    "key", ["61", "999", "1" * 300, "1" * 5000, "-60", "60.mp3/..", "..%2f..%2fkeyslip%2fsettings"]
)
def test_a_note_that_is_not_recorded_is_not_found(ada: Client, piano: Path, key: str):
    (piano / "60.mp3").write_bytes(b"sound")
    assert ada.get(f"/piano/{key}.mp3").status_code == 404


# Who may hear it ------------------------------------------------------------------------------------------------------


def test_somebody_elses_score_is_not_found(stranger: Client, score: Score):
    assert stranger.get(reverse("curriculum:score-sound", args=[score.pk])).status_code == 404


def test_whoever_is_signed_out_is_asked_to_sign_in(client: Client, score: Score, piano: Path):
    (piano / "60.mp3").write_bytes(b"sound")
    for address in (
        reverse("curriculum:score-sound", args=[score.pk]),
        reverse("curriculum:piano-note", args=[60]),
    ):
        answer = client.get(address)
        assert answer.status_code == 302
        assert answer.url.startswith(reverse("login"))


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_sound_is_only_asked_for(ada: Client, score: Score, method: str):
    for address in (
        reverse("curriculum:score-sound", args=[score.pk]),
        reverse("curriculum:piano-note", args=[60]),
    ):
        assert getattr(ada, method)(address).status_code == 405
