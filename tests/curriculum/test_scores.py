"""Scores in the app: from a file or a pattern, shown, asked about, replaced and deleted."""

from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Demand, Learner, Piece, Score, Skill, Unit
from curriculum.queries import PieceState, learner_graph
from curriculum.score import PlannedNote, make_score, plain_bars
from curriculum.score.engraving.drawing import Engraving
from curriculum.score.engraving.errors import EngravingMismatchError
from curriculum.score.musicxml import write_musicxml
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern
from curriculum.services import scores as score_services
from curriculum.views.scores import say_bars
from tests.make import make_piece

SCALE = Pattern(kind="scale", key="G", hands="both", octaves=2)
ONE_HAND = write_musicxml(
    make_score(
        [PlannedNote(Fraction(i), Fraction(1), "CDEF"[i]) for i in range(4)], bars=plain_bars(1), hands=("right",)
    )
).replace(b"Right hand", b"Piano")


@pytest.fixture(autouse=True)
def data(settings, tmp_path: Path) -> Path:
    settings.KEYSLIP_DATA = tmp_path
    return tmp_path


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int] | None]:
    """Stands for the engraver: its own tests run it. Collects which bars were asked for."""
    asked: list[tuple[int, int] | None] = []

    def draw(written: object, *, bars: tuple[int, int] | None = None) -> Engraving:
        asked.append(bars)
        first, last = bars or (0, 0)
        return Engraving(first_bar=first, last_bar=last, pages={"narrow": ("<svg></svg>",), "wide": ("<svg></svg>",)})

    monkeypatch.setattr(score_services, "engrave", draw)
    monkeypatch.setattr("curriculum.views.scores.engrave", draw)
    return asked


@pytest.fixture
def unit(book: Book) -> Unit:
    return book.units.get(position=2)


@pytest.fixture
def piece(learner: Learner) -> Piece:
    return make_piece(learner, "Waltz")


def file_of(data: bytes, name: str = "waltz.musicxml") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, data)


def add_file(client: Client, data: bytes, *, query: str = "", **fields: str):
    return client.post(f"{reverse('curriculum:score-new')}{query}", {"file": file_of(data), **fields})


def scale_bytes(pattern: Pattern = SCALE) -> bytes:
    return write_musicxml(make_pattern(pattern))


# From a file ----------------------------------------------------------------------------------------------------------


def test_a_file_becomes_the_score_of_a_piece_with_what_it_asks(ada: Client, piece: Piece, data: Path) -> None:
    answer = add_file(ada, scale_bytes(), query=f"?piece={piece.pk}")

    score = Score.objects.get()
    assert answer.url == reverse("curriculum:score", args=[score.pk])
    assert (score.piece, score.source, score.given_name) == (piece, "file", "waltz.musicxml")
    assert score.original_path.read_bytes() == scale_bytes()
    assert services.written_of(score) == make_pattern(SCALE)
    assert "scale_both_hands" in set(piece.demands.values_list("detector", flat=True))
    assert set(piece.demands.values_list("answer", flat=True)) == {"asked"}


def test_a_file_becomes_one_of_several_scores_of_a_unit(ada: Client, unit: Unit, drawn: list) -> None:
    add_file(ada, scale_bytes(), query=f"?unit={unit.pk}")
    add_file(ada, ONE_HAND, query=f"?unit={unit.pk}", title="Four notes")

    assert {score.title for score in unit.scores.all()} == {"G major scale, two octaves, both hands", "Four notes"}
    assert "Four notes" in ada.get(reverse("curriculum:unit", args=[unit.pk])).text


def test_pressing_the_button_twice_keeps_one_score(ada: Client, unit: Unit) -> None:
    for _ in range(2):
        add_file(ada, scale_bytes(), query=f"?unit={unit.pk}")

    assert unit.scores.count() == 1


@pytest.mark.parametrize(
    ("data_sent", "said"),
    [
        (b"hello", "no score"),
        (scale_bytes()[:-900], "line"),
        (b'<!DOCTYPE x [<!ENTITY a "b">]><score-partwise/>', "entit"),
        (b"\x89PNG\r\n\x1a\n" + b"0" * 50, "no score"),
        (scale_bytes().replace(b"<step>G</step>", b"<step>H</step>"), "Bar 1"),
    ],
)
def test_what_cannot_be_read_is_refused_in_words_and_nothing_is_kept(
    ada: Client, data: Path, data_sent: bytes, said: str
) -> None:
    answer = add_file(ada, data_sent)

    assert answer.status_code == 422
    assert said in answer.context["form"].errors["file"][0]
    assert not Score.objects.exists()
    assert not (data / "scores").exists()


def test_a_file_that_is_too_large_is_refused_by_its_size(ada: Client) -> None:
    answer = add_file(ada, b"<" + b" " * 8_000_001)

    assert answer.context["form"].errors["file"] == [
        "This file has 8 MB. A score has 8 MB at most; is it another file?"
    ]


def test_no_file_is_asked_for(ada: Client) -> None:
    assert ada.post(reverse("curriculum:score-new")).status_code == 422


def test_a_full_disk_keeps_nothing(ada: Client, monkeypatch: pytest.MonkeyPatch, data: Path) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    answer = add_file(ada, scale_bytes())

    assert "no room left" in answer.text
    assert not Score.objects.exists()


def test_a_piece_with_a_score_offers_to_replace_it(ada: Client, piece: Piece) -> None:
    add_file(ada, scale_bytes(), query=f"?piece={piece.pk}")

    answer = ada.get(f"{reverse('curriculum:score-new')}?piece={piece.pk}")

    assert answer.url == reverse("curriculum:score-replace", args=[piece.score.pk])


@pytest.mark.parametrize("query", ["?piece=nonsense", "?unit=00000000-0000-0000-0000-000000000000"])
def test_a_score_for_nothing_is_not_found(ada: Client, query: str) -> None:
    assert ada.get(f"{reverse('curriculum:score-new')}{query}").status_code == 404


# Its page -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def score(learner: Learner, piece: Piece) -> Score:
    return services.add_score(
        learner, written=make_pattern(SCALE), source=Score.Source.FILE, piece=piece, original=scale_bytes()
    )


def test_the_page_shows_the_notes_in_both_widths(ada: Client, score: Score) -> None:
    page = ada.get(reverse("curriculum:score", args=[score.pk])).text

    assert page.count('data-note="b0n1"') == 2
    assert "style=" not in page.partition("<main")[2].partition("</main>")[0]


def test_a_picture_is_drawn_once_and_kept(ada: Client, score: Score, drawn: list, data: Path) -> None:
    for _ in range(2):
        ada.get(reverse("curriculum:score", args=[score.pk]))

    assert len(drawn) == 1
    assert len(list((data / "engraved").rglob("*.json"))) == 1


def test_a_damaged_picture_is_drawn_anew(ada: Client, score: Score, drawn: list, data: Path) -> None:
    address = reverse("curriculum:score", args=[score.pk])
    ada.get(address)
    next((data / "engraved").rglob("*.json")).write_text("{")

    assert ada.get(address).status_code == 200
    assert len(drawn) == 2


def test_a_picture_that_lacks_a_note_is_refused_in_words(
    ada: Client, score: Score, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lacking(*_: object, **__: object) -> Engraving:
        raise EngravingMismatchError("The engraver drew 8 notes where 9 are written, so its picture is not shown.")

    monkeypatch.setattr(score_services, "engrave", lacking)

    page = ada.get(reverse("curriculum:score", args=[score.pk]))

    assert page.status_code == 200
    assert "drew 8 notes where 9 are written" in page.text


def test_a_score_whose_file_is_gone_says_so(ada: Client, score: Score) -> None:
    score.musicxml_path.unlink()

    assert "A backup may hold them" in ada.get(reverse("curriculum:score", args=[score.pk])).text


def test_a_long_score_is_shown_in_parts(ada: Client, learner: Learner, drawn: list) -> None:
    long = Pattern(kind="scale", hands="both", octaves=4, value="1/2", times=8)
    score = services.add_pattern(learner, pattern=long)
    score.facts["stretches"] = [[0, 9], [10, 19]]
    score.save()

    page = ada.get(f"{reverse('curriculum:score', args=[score.pk])}?part=2")

    assert drawn == [(10, 19)]
    assert 'aria-current="page">Part 2' in page.text


@pytest.mark.parametrize("part", ["0", "99", "-1", "x", "²", ""])
def test_a_part_that_is_not_there_shows_one_that_is(ada: Client, score: Score, drawn: list, part: str) -> None:
    assert ada.get(reverse("curriculum:score", args=[score.pk]), {"part": part}).status_code == 200


def test_the_score_can_be_taken_out_as_musicxml(ada: Client, score: Score) -> None:
    answer = ada.get(reverse("curriculum:score-file", args=[score.pk]))

    assert answer.content == scale_bytes()
    assert answer["Content-Disposition"].startswith("attachment")


def test_the_list_names_all_scores_with_a_constant_number_of_queries(
    ada: Client, learner: Learner, unit: Unit, score: Score, django_assert_max_num_queries
) -> None:
    for key in ("C", "D", "E"):
        services.add_pattern(learner, pattern=Pattern(kind="scale", key=key), unit=unit)

    with django_assert_max_num_queries(4):
        page = ada.get(reverse("curriculum:score-list")).text
    assert "Evening Piano, unit 2" in page
    assert "Waltz" in page


# Questions ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def doubtful(ada: Client, learner: Learner) -> Score:
    add_file(ada, ONE_HAND, title="Four notes")
    return Score.objects.get(title="Four notes")


def test_a_staff_without_a_hand_is_asked_about(ada: Client, doubtful: Score, drawn: list) -> None:
    assert [question["code"] for question in services.open_questions(doubtful)] == ["which_hand", "tempo_missing"]
    page = ada.get(reverse("curriculum:score", args=[doubtful.pk])).text
    assert "Which hand plays it?" in page
    assert "checked" not in page.partition("Which hand plays it?")[2].partition("</fieldset>")[0]


def test_a_tempo_that_is_missing_is_asked_for_once(ada: Client, doubtful: Score, drawn: list) -> None:
    page = ada.get(reverse("curriculum:score", args=[doubtful.pk])).text
    asked = page.partition("Keyslip asks")[2].partition("</form>")[0]
    assert asked.count("How fast") == 1
    assert "The tempo stays open." in asked


def test_the_answer_makes_notes_of_that_hand(ada: Client, doubtful: Score) -> None:
    ada.post(reverse("curriculum:score-questions", args=[doubtful.pk]), {"hand": "left", "bpm": "72"})

    doubtful.refresh_from_db()
    written = services.written_of(doubtful)
    assert {note.hand for note in written.notes} == {"left"}
    assert written.bpm == 72
    assert services.open_questions(doubtful) == []


def test_a_doubt_that_was_looked_at_is_not_asked_again(ada: Client, doubtful: Score) -> None:
    ada.post(reverse("curriculum:score-questions", args=[doubtful.pk]), {"hand": "right", "seen": ["tempo_missing"]})

    doubtful.refresh_from_db()
    assert services.open_questions(doubtful) == []
    assert doubtful.facts["bpm"] is None


def two_parts() -> bytes:
    """Return two parts of which neither says which hand it is for: C and then G below it."""
    listed = "".join(f'<score-part id="{part}"><part-name>{part}</part-name></score-part>' for part in ("One", "Two"))
    parts = "".join(
        f'<part id="{part}"><measure number="1"><attributes><divisions>1</divisions><time><beats>4</beats>'
        '<beat-type>4</beat-type></time></attributes><sound tempo="60"/>'
        f"<note><pitch><step>{step}</step><octave>4</octave></pitch><duration>4</duration><type>whole</type></note>"
        "</measure></part>"
        for part, step in (("One", "C"), ("Two", "G"))
    )
    return f"<score-partwise><part-list>{listed}</part-list>{parts}</score-partwise>".encode()


@pytest.mark.parametrize(("answer", "right"), [("keep", 60), ("swap", 67)])
def test_hands_that_are_doubtful_are_asked_about_and_can_be_exchanged(
    ada: Client, drawn: list, answer: str, right: int
) -> None:
    add_file(ada, two_parts(), title="Two parts")
    found = Score.objects.get(title="Two parts")
    assert [question["code"] for question in services.open_questions(found)] == ["hand_doubtful"]
    assert "no, the other way round" in ada.get(reverse("curriculum:score", args=[found.pk])).text

    ada.post(reverse("curriculum:score-questions", args=[found.pk]), {"swap": answer})

    found.refresh_from_db()
    assert services.open_questions(found) == []
    written = services.written_of(found)
    assert [(note.staff, note.hand) for note in written.notes if note.pitch_midi == right] == [(1, "right")]
    assert {note.hand for note in written.notes if note.pitch_midi != right} == {"left"}


def test_an_answer_that_is_none_is_refused(ada: Client, doubtful: Score, drawn: list) -> None:
    answer = ada.post(reverse("curriculum:score-questions", args=[doubtful.pk]), {"hand": "third", "bpm": "5"})

    assert answer.status_code == 422
    doubtful.refresh_from_db()
    assert doubtful.answers == {}


# Replacing, naming and deleting ---------------------------------------------------------------------------------------


def test_another_file_takes_the_place_and_old_pictures_go(ada: Client, score: Score, drawn: list, data: Path) -> None:
    ada.get(reverse("curriculum:score", args=[score.pk]))
    other = scale_bytes(Pattern(kind="scale", key="D"))

    ada.post(reverse("curriculum:score-replace", args=[score.pk]), {"file": file_of(other)})

    score.refresh_from_db()
    assert score.musicxml_path.read_bytes() == other
    assert score.title == "G major scale, two octaves, both hands"
    assert not list((data / "engraved").rglob("*.json"))


def test_a_broken_file_leaves_the_old_score_in_its_place(ada: Client, score: Score) -> None:
    answer = ada.post(reverse("curriculum:score-replace", args=[score.pk]), {"file": file_of(b"<score")})

    assert answer.status_code == 422
    assert score.musicxml_path.read_bytes() == scale_bytes()
    assert score.original_path.read_bytes() == scale_bytes()


def test_a_score_can_be_renamed(ada: Client, score: Score) -> None:
    ada.post(reverse("curriculum:score-edit", args=[score.pk]), {"title": "Up and down"})

    score.refresh_from_db()
    assert score.title == "Up and down"
    assert ada.post(reverse("curriculum:score-edit", args=[score.pk]), {"title": ""}).status_code == 422


@pytest.mark.django_db(transaction=True)
def test_files_and_pictures_go_with_the_score(ada: Client, score: Score, drawn: list, data: Path) -> None:
    ada.get(reverse("curriculum:score", args=[score.pk]))
    folder = score.folder
    assert folder.is_dir()

    answer = ada.post(reverse("curriculum:score-delete", args=[score.pk]))

    assert answer.url == reverse("curriculum:piece", args=[score.piece_id])
    assert not folder.exists()
    assert not list((data / "engraved").rglob("*.json"))
    assert not Demand.objects.exists()


# Patterns -------------------------------------------------------------------------------------------------------------

CHOSEN = {
    "kind": "scale", "key": "D", "mode": "major", "hands": "both", "octaves": "2", "motion": "similar",
    "direction": "up_down", "metre": "4/4", "value": "1/2", "rhythm": "even", "accent": "none", "touch": "plain",
    "bpm": "60", "times": "1", "fingers": "on", "chord": "triad", "inversion": "0", "progression": "I-V7-I",
}  # fmt: skip


def test_a_pattern_becomes_a_score_of_a_unit(ada: Client, unit: Unit) -> None:
    ada.post(f"{reverse('curriculum:score-pattern-new')}?unit={unit.pk}", CHOSEN)

    score = unit.scores.get()
    assert score.title == "D major scale, two octaves, both hands"
    assert score.source == "pattern"
    assert services.written_of(score) == make_pattern(Pattern.from_data(score.pattern))


def test_choices_in_the_address_are_shown_and_nothing_is_kept(ada: Client, drawn: list) -> None:
    page = ada.get(reverse("curriculum:score-pattern-new"), CHOSEN)

    assert "D major scale, two octaves, both hands, in eighths" in page.text
    assert len(drawn) == 1
    assert not Score.objects.exists()


def test_a_change_fetches_the_part_alone(ada: Client, drawn: list) -> None:
    page = ada.get(reverse("curriculum:score-pattern-new"), CHOSEN, headers={"hx-request": "true"})

    assert "<html" not in page.text
    assert 'id="pattern"' in page.text
    assert "HX-Request" in page["Vary"]


def test_a_kind_shows_its_own_choices(ada: Client, drawn: list) -> None:
    form = ada.get(reverse("curriculum:score-pattern-new"), {"kind": "bass", "bpm": "60"}).context["form"]

    names = [field.name for field in form.shown]
    assert "progression" in names
    assert "octaves" not in names


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"hands": "right", "motion": "contrary"}, "motion", "needs both hands"),
        ({"value": "3"}, "value", "do not fill a bar"),
        ({"kind": "cadence", "mode": "dorian"}, "mode", "Choose major or one of the minors"),
        ({"bpm": "1000"}, "bpm", "300"),
        ({"kind": "nonsense"}, "kind", "none of these"),
        ({"key": "G#", "mode": "lydian"}, "key", "seven sharps"),
    ],
)
def test_choices_that_do_not_go_together_are_refused_beside_the_choice(
    ada: Client, changed: dict[str, str], field: str, said: str
) -> None:
    answer = ada.post(reverse("curriculum:score-pattern-new"), CHOSEN | changed)

    assert answer.status_code == 422
    assert said in answer.context["form"].errors[field][0]
    assert not Score.objects.exists()


def test_a_pattern_can_be_changed(ada: Client, learner: Learner, unit: Unit) -> None:
    score = services.add_pattern(learner, pattern=SCALE, unit=unit)

    ada.post(reverse("curriculum:score-pattern", args=[score.pk]), CHOSEN)

    score.refresh_from_db()
    assert score.title == "D major scale, two octaves, both hands"
    assert unit.scores.count() == 1


def test_what_was_no_pattern_has_no_pattern_to_change(ada: Client, score: Score) -> None:
    assert ada.get(reverse("curriculum:score-pattern", args=[score.pk])).status_code == 404


# What a piece asks ----------------------------------------------------------------------------------------------------


def answers(piece: Piece, answer: str, **others: str) -> dict[str, str]:
    return {f"demand-{row.pk}": others.get(row.detector, answer) for row in piece.demands.all()}


def test_what_is_sure_is_answered_beforehand_and_what_is_doubtful_is_not(
    ada: Client, piece: Piece, score: Score
) -> None:
    page = ada.get(reverse("curriculum:piece-demands", args=[piece.pk]))

    assert "In bars 1-8." in page.text
    sure = {entry["row"].detector: entry["field"].value() for entry in page.context["sure"]}
    assert set(sure.values()) == {"yes"}
    assert all(entry["field"].value() == "" for entry in page.context["doubtful"])


def test_a_yes_names_the_skill_and_holds_the_piece(ada: Client, learner: Learner, piece: Piece, score: Score) -> None:
    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "yes"))

    assert "scale-together" in set(piece.needs.values_list("slug", flat=True))
    piece.refresh_from_db()
    assert learner_graph(learner).piece_state(piece) is PieceState.HELD


def test_a_later_no_takes_the_skill_back(ada: Client, piece: Piece, score: Score) -> None:
    address = reverse("curriculum:piece-demands", args=[piece.pk])
    ada.post(address, answers(piece, "yes"))
    ada.post(address, answers(piece, "yes", scale_both_hands="no"))

    assert "scale-together" not in set(piece.needs.values_list("slug", flat=True))


def test_a_no_never_takes_back_what_was_named_by_hand(ada: Client, piece: Piece, score: Score, legato: Skill) -> None:
    piece.needs.add(legato)

    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "no"))

    assert list(piece.needs.all()) == [legato]


def test_what_is_left_open_holds_nothing(ada: Client, learner: Learner, piece: Piece, score: Score) -> None:
    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), {})

    piece.refresh_from_db()
    assert piece.looked_at_on is None
    assert not piece.needs.exists()


def test_keys_that_the_instrument_lacks_hold_the_piece_in_words(ada: Client, learner: Learner, piece: Piece) -> None:
    Learner.objects.filter(pk=learner.pk).update(lowest_midi=60, highest_midi=84)
    learner.refresh_from_db()
    services.add_score(learner, written=make_pattern(SCALE), source=Score.Source.FILE, piece=piece)

    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "no", range_beyond_instrument="yes"))

    piece.refresh_from_db()
    assert piece.beyond == ["keys that your instrument does not have"]
    assert learner_graph(learner).piece_state(piece) is PieceState.HELD


def test_a_better_file_keeps_what_was_answered(ada: Client, piece: Piece, score: Score) -> None:
    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "no"))

    services.rewrite_score(score, written=make_pattern(Pattern(kind="scale", key="D", hands="both", octaves=2)))

    assert piece.demands.get(detector="scale_both_hands").answer == "no"


def test_an_answer_that_is_neither_yes_nor_no_is_refused(ada: Client, piece: Piece, score: Score) -> None:
    answer = ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "perhaps"))

    assert answer.status_code == 422
    assert not piece.demands.exclude(answer="asked").exists()


# Doors ----------------------------------------------------------------------------------------------------------------

PAGES = ["score", "score-edit", "score-replace", "score-delete", "score-file", "score-pattern"]


@pytest.mark.parametrize("name", PAGES)
def test_strangers_are_told_nothing(stranger: Client, score: Score, name: str) -> None:
    assert stranger.get(reverse(f"curriculum:{name}", args=[score.pk])).status_code == 404


def test_strangers_write_nothing(stranger: Client, piece: Piece, unit: Unit, score: Score) -> None:
    assert stranger.post(reverse("curriculum:score-questions", args=[score.pk])).status_code == 404
    assert stranger.post(reverse("curriculum:piece-demands", args=[piece.pk])).status_code == 404
    assert add_file(stranger, scale_bytes(), query=f"?unit={unit.pk}").status_code == 404
    assert stranger.post(f"{reverse('curriculum:score-pattern-new')}?unit={unit.pk}", CHOSEN).status_code == 404


@pytest.mark.parametrize("name", [*PAGES, "score-questions"])
def test_whoever_is_signed_out_is_sent_to_sign_in(client: Client, score: Score, name: str) -> None:
    assert "/sign-in/" in client.post(reverse(f"curriculum:{name}", args=[score.pk])).url


@pytest.mark.parametrize(("name", "method"), [("score", "post"), ("score-file", "post"), ("score-questions", "get")])
def test_the_wrong_method_is_refused(ada: Client, score: Score, name: str, method: str) -> None:
    assert getattr(ada, method)(reverse(f"curriculum:{name}", args=[score.pk])).status_code == 405


def test_deleting_the_learner_takes_the_scores_along(learner: Learner, score: Score) -> None:
    learner.delete()

    assert not Score.objects.exists()


def test_what_was_learnt_by_hand_stays_looked_at(ada: Client, piece: Piece, score: Score, legato: Skill) -> None:
    services.look_at_piece(piece, needs=[legato], today=date(2026, 2, 1))

    ada.post(reverse("curriculum:piece-demands", args=[piece.pk]), answers(piece, "yes"))

    piece.refresh_from_db()
    assert piece.looked_at_on == date(2026, 2, 1)
    assert legato in piece.needs.all()


# Signs and the instrument ---------------------------------------------------------------------------------------------


def sign_row(page, key: str):
    return next(row for row in page.context["signs"] if row.sign.key == key)


def test_a_sign_leads_to_the_unit_that_teaches_it(ada: Client, unit: Unit, score: Score, drawn: list) -> None:
    ada.post(reverse("curriculum:unit-signs", args=[unit.pk]), {"signs": ["key-of-sharps", "treble-clef"]})

    page = ada.get(reverse("curriculum:score", args=[score.pk]))

    assert sign_row(page, "key-of-sharps").unit == unit
    assert "Your book teaches it in" in page.text


def test_a_sign_leads_to_the_unit_that_teaches_its_skill(
    ada: Client, learner: Learner, book: Book, legato: Skill, drawn: list
) -> None:
    slurred = make_pattern(Pattern(kind="five_finger", touch="joined"))
    score = services.add_score(learner, written=slurred, source=Score.Source.TYPED)

    row = sign_row(ada.get(reverse("curriculum:score", args=[score.pk])), "slur")

    assert (row.unit, row.through) == (book.units.get(position=4), legato.name)


def test_a_sign_that_no_unit_teaches_is_not_in_the_book_yet(ada: Client, score: Score, drawn: list) -> None:
    page = ada.get(reverse("curriculum:score", args=[score.pk]))

    assert sign_row(page, "ledger-line").unit is None
    assert "Not in your book yet." in page.text


def test_a_sign_that_is_none_is_refused(ada: Client, unit: Unit) -> None:
    answer = ada.post(reverse("curriculum:unit-signs", args=[unit.pk]), {"signs": ["nonsense"]})

    assert answer.status_code == 422
    unit.refresh_from_db()
    assert unit.signs == []


def test_signs_of_a_strangers_unit_are_not_found(stranger: Client, unit: Unit) -> None:
    assert stranger.post(reverse("curriculum:unit-signs", args=[unit.pk]), {"signs": []}).status_code == 404


def test_a_shorter_instrument_is_held_against_the_scores_that_are_there(
    ada: Client, learner: Learner, piece: Piece, score: Score
) -> None:
    wide = make_pattern(Pattern(kind="scale", hands="both", octaves=4, octave=2, apart=1))
    services.rewrite_score(score, written=wide)
    assert not piece.demands.filter(detector="range_beyond_instrument").exists()

    ada.post(reverse("curriculum:instrument"), {"keys": "61", "pedals": "0"})

    learner.refresh_from_db()
    assert (learner.lowest_midi, learner.highest_midi, learner.pedal_count) == (36, 96, 0)
    assert piece.demands.get(detector="range_beyond_instrument").answer == "asked"


def test_an_instrument_of_another_size_is_refused(ada: Client) -> None:
    assert ada.post(reverse("curriculum:instrument"), {"keys": "7", "pedals": "9"}).status_code == 422


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        (["4"], "bar 4"),
        (["4", "5"], "bars 4 and 5"),
        (["1", "2", "3"], "bars 1, 2 and 3"),
        (list("12345678"), "8 bars, first in bar 1"),
    ],
)
def test_bars_are_named_in_a_sentence(numbers: list[str], said: str) -> None:
    assert say_bars(numbers) == said


MIDI = bytes.fromhex("4d546864000000060000000101e04d54726b0000001600903c408360803c4000903e408360803e4000ff2f00")


@pytest.mark.parametrize(
    ("data_sent", "name"),
    [
        (b"X:1\nT:Walk\nM:4/4\nL:1/4\nK:C\nCDEF|G4|]\n", "walk.abc"),
        (MIDI, "walk.mid"),
    ],
)
def test_other_kinds_of_files_are_read_too(ada: Client, data_sent: bytes, name: str) -> None:
    answer = ada.post(reverse("curriculum:score-new"), {"file": file_of(data_sent, name)})

    assert answer.status_code == 302, answer.context["form"].errors
    assert Score.objects.get().title.casefold() == "walk"
