"""Typed notes: checked, shown, kept for a piece or a unit, and changed again."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Demand, Learner, Piece, Score, Unit
from curriculum.score import read_musicxml
from curriculum.score.engraving.drawing import Engraving
from curriculum.score.engraving.errors import EngravingError
from curriculum.score.engraving.layout import NARROW, WIDE, Layout
from curriculum.services import scores as score_services
from curriculum.views.typing import EXAMPLES, picture_of
from tests.make import make_piece

TYPE = reverse("curriculum:score-type")
HTMX = {"HX-Request": "true"}
USUAL = {"key": "C", "metre": "4/4", "unit": "1/4", "bpm": "72"}


@pytest.fixture(autouse=True)
def data(settings, tmp_path: Path) -> Path:
    settings.KEYSLIP_DATA = tmp_path
    return tmp_path


@pytest.fixture(autouse=True)
def drawn(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[tuple[int, int] | None]]:
    """Stands for the engraver: its own tests run it. Collects which bars were asked for."""
    asked: list[tuple[int, int] | None] = []

    def draw(written: object, *, bars: tuple[int, int] | None = None, layouts: Sequence[Layout] = ()) -> Engraving:
        asked.append(bars)
        names = [layout.name for layout in layouts or (NARROW, WIDE)]
        return Engraving(first_bar=0, last_bar=0, pages=dict.fromkeys(names, ("<svg></svg>",)))

    picture_of.cache_clear()
    monkeypatch.setattr(score_services, "engrave", draw)
    monkeypatch.setattr("curriculum.views.typing.engrave", draw)
    yield asked
    picture_of.cache_clear()


@pytest.fixture
def unit(book: Book) -> Unit:
    return book.units.get(position=2)


@pytest.fixture
def piece(learner: Learner) -> Piece:
    return make_piece(learner, "The Night Ferry")


def keep(client: Client, right: str, left: str = "", *, address: str = TYPE, **fields: str):
    return client.post(address, USUAL | {"right_text": right, "left_text": left, "keep": "1"} | fields)


def check(client: Client, right: str, left: str = "", **fields: str):
    return client.post(TYPE, USUAL | {"right_text": right, "left_text": left} | fields, headers=HTMX)


def score_of(client: Client, right: str, left: str = "", **fields: str) -> Score:
    keep(client, right, left, **fields)
    return Score.objects.get()


# Kept -----------------------------------------------------------------------------------------------------------------


def test_what_is_typed_becomes_the_score_of_a_piece_with_what_it_asks(ada: Client, piece: Piece) -> None:
    answer = keep(ada, "CDEF|G4|]", "C,4|C,4|]", address=f"{TYPE}?piece={piece.pk}", title="The Night Ferry")

    score = Score.objects.get()
    assert answer.url == reverse("curriculum:score", args=[score.pk])
    assert (score.piece, score.source, score.title) == (piece, "typed", "The Night Ferry")
    assert (score.right_text, score.left_text) == ("CDEF|G4|]", "C,4|C,4|]")
    assert [note.pitch_midi for note in services.written_of(score).notes] == [60, 62, 64, 65, 48, 67, 48]
    assert score.facts["bpm"] == 72
    assert set(piece.demands.values_list("answer", flat=True)) == {"asked"}


def test_what_is_typed_becomes_one_of_several_scores_of_a_unit(ada: Client, unit: Unit) -> None:
    for right in ("CDEF|", "G4|"):
        keep(ada, right, address=f"{TYPE}?unit={unit.pk}", title=right[0])

    assert {score.title for score in unit.scores.all()} == {"C", "G"}


def test_choices_hold_for_both_hands(ada: Client) -> None:
    score = score_of(ada, "FGA|", "F,3|", key="G", metre="3/8", unit="1/8", bpm="")

    written = services.written_of(score)
    assert (str(written.bars[0].metre.beats), written.bars[0].key.fifths, written.bpm) == ("3", 1, None)
    assert written.notes[0].pitch_midi == 66
    assert "tempo_missing" in {warning["code"] for warning in score.warnings}


def test_sending_twice_keeps_one_score(ada: Client, unit: Unit) -> None:
    for right in ("CDEF|", "CDEG|"):  # the second by way of the back button
        keep(ada, right, address=f"{TYPE}?unit={unit.pk}", token="12ab")

    assert Score.objects.get().right_text == "CDEG|"


def test_a_whole_tune_may_be_pasted_into_one_box(ada: Client) -> None:
    tune = "X:7\r\nT:Far Field\r\nM:3/4\r\nL:1/8\r\nQ:1/4=90\r\nK:G\r\nV:RH\r\nG2\u00a0A2\tB2|“D”d6|]\r\nw: la la la la\r\nV:LH clef=bass\r\nG,6|D,6|]\r\n"

    score = score_of(ada, tune, title="", bpm="")

    assert (score.title, score.facts["bpm"]) == ("Far Field", 90)
    assert {note.hand for note in services.written_of(score).notes} == {"right", "left"}
    assert any("words to sing (w:)" in warning["text"] for warning in score.warnings)
    assert score.right_text == tune.replace("\r\n", "\n")


def test_signs_a_word_processor_puts_in_are_kept_as_typed(ada: Client) -> None:
    assert score_of(ada, " “C”c’ d e f\u00a0|\n").right_text == " “C”c’ d e f\u00a0|\n"


@pytest.mark.parametrize("right", ["X:1\nT:a <b>\nK:C\nCDEF|", "CDEF|"])
def test_titles_are_never_markup(ada: Client, right: str) -> None:
    keep(ada, right, title="" if right[0] == "X" else "a <b>")

    assert "a &lt;b&gt;" in ada.get(reverse("curriculum:score-list")).text


# Changed --------------------------------------------------------------------------------------------------------------


def test_typed_notes_can_be_opened_again_and_changed(ada: Client, piece: Piece) -> None:
    keep(ada, "CDEF|", "C,4|", address=f"{TYPE}?piece={piece.pk}", key="F", metre="C", title="Ferry")
    score = Score.objects.get()
    piece.demands.update(answer=Demand.Answer.NO)
    address = reverse("curriculum:score-retype", args=[score.pk])

    page = ada.get(address)
    assert page.context["form"]["right_text"].value() == "CDEF|"
    assert [page.context["form"][name].value() for name in ("key", "metre", "bpm", "title")] == ["F", "C", 72, "Ferry"]
    answer = keep(ada, "[CE]2[DF]2|[CEG]4|", "C,4|Z|", address=address, title="Ferry")

    score.refresh_from_db()
    assert answer.url == reverse("curriculum:score", args=[score.pk])
    assert score.facts["bars"] == 2
    assert set(piece.demands.values_list("answer", flat=True)) == {"no", "asked"}


def test_a_change_that_is_wrong_leaves_the_old_notes(ada: Client) -> None:
    score = score_of(ada, "CDEF|")
    answer = keep(ada, "CDE|CDEF|CD|CDEF|", address=reverse("curriculum:score-retype", args=[score.pk]))

    score.refresh_from_db()
    assert (answer.status_code, score.right_text) == (422, "CDEF|")
    assert "CDE|CDEF|CD|CDEF|" in answer.text


def test_a_piece_that_has_a_typed_score_leads_to_changing_it(ada: Client, piece: Piece) -> None:
    keep(ada, "CDEF|", address=f"{TYPE}?piece={piece.pk}")

    assert ada.get(f"{TYPE}?piece={piece.pk}").url == reverse("curriculum:score-retype", args=[Score.objects.get().pk])


def test_a_piece_that_has_a_score_by_now_keeps_it_and_what_was_typed(ada: Client, piece: Piece) -> None:
    keep(ada, "CDEF|", address=f"{TYPE}?piece={piece.pk}")
    answer = keep(ada, "G4|", address=f"{TYPE}?piece={piece.pk}")

    assert answer.status_code == 422
    assert "has a score by now" in answer.text
    assert "G4|" in answer.text
    assert Score.objects.get().right_text == "CDEF|"


def test_what_was_not_typed_cannot_be_retyped(ada: Client, learner: Learner) -> None:
    score = Score.objects.create(learner=learner, title="From a file", source="file")

    assert ada.get(reverse("curriculum:score-retype", args=[score.pk])).status_code == 404


# Checked --------------------------------------------------------------------------------------------------------------


def test_checking_while_typing_answers_a_part_and_keeps_nothing(ada: Client, drawn: list) -> None:
    answer = check(ada, "CDEF|GA", "C,4|", keep="1")

    assert answer.status_code == 200
    assert "<h1" not in answer.text
    assert "too short by 2 quarters; missing in the left hand" in answer.text
    assert "Right hand, line 1, column 6" in answer.text
    assert drawn == [(0, 1)]
    assert answer.headers["Vary"] == "HX-Request, Cookie"
    assert not Score.objects.exists()


def test_the_last_notes_stay_while_something_is_wrong(ada: Client, drawn: list) -> None:
    answer = check(ada, "CDEF|GQ")

    assert "Right hand, line 1, column 7" in answer.text
    assert "is no note" in answer.text
    assert "typed-notes" not in answer.text
    assert drawn == []


def test_the_last_notes_go_when_the_boxes_are_emptied(ada: Client, drawn: list) -> None:
    check(ada, "CDEF|")
    answer = check(ada, " ", "").text

    assert 'id="typed-notes"' in answer
    assert "The notes appear here as soon as a bar can be read." in answer
    assert 'name="shown" value=""' in answer
    assert "<svg" not in answer
    assert "<li" not in answer


def test_notes_that_the_page_shows_already_are_not_drawn_again(ada: Client, drawn: list) -> None:
    known = check(ada, "CDEF|").context["sum"]
    answer = check(ada, "C D E F |", shown=known)

    assert "typed-notes" not in answer.text
    assert len(drawn) == 1


def test_the_button_checks_without_a_script_and_keeps_nothing(ada: Client) -> None:
    right = ada.post(TYPE, USUAL | {"right_text": "CDEF|", "check": "1"})
    wrong = ada.post(TYPE, USUAL | {"right_text": "CDEFG|", "check": "1"})

    assert (right.status_code, wrong.status_code) == (200, 422)
    assert "too long by 1 quarter" in wrong.text
    assert "CDEFG|" in wrong.text
    assert not Score.objects.exists()


def test_nothing_typed_is_said_when_asked_and_not_before(ada: Client) -> None:
    assert "Nothing is typed yet" in keep(ada, " ").text
    assert "Nothing is typed yet" not in check(ada, "").text
    assert "Nothing is typed yet" not in ada.get(TYPE).text


def test_a_long_piece_is_shown_around_the_place_of_typing(ada: Client, drawn: list) -> None:
    right = "C/D/E/F/G/F/E/D/|\n" * 80

    assert check(ada, right, at="right 1 1").context["part"].startswith("Bars 1 to")
    assert check(ada, right, at="right 80 9").context["part"].endswith("to 80")
    assert check(ada, right, at="left x\0").status_code == 200
    assert drawn[0][0] == 0


def test_of_very_many_bars_only_faults_are_named(ada: Client) -> None:
    assert check(ada, "C4|" * 200).context["bars"] == []
    rows = check(ada, f"{'C4|' * 150}C5|{'C4|' * 50}").context["bars"]
    assert [(row.number, row.words) for row in rows] == [("151", "too long by 1 quarter")]


def test_a_very_long_text_is_checked_and_shown_once_it_is_kept(ada: Client, drawn: list) -> None:
    answer = check(ada, "C4|" * 401)

    assert "401 bars in the right hand, and all are full." in answer.text
    assert "More than 400 bars are shown in notes once they are kept." in answer.text
    assert drawn == []


def test_a_broken_engraver_is_said_and_the_notes_can_be_kept(ada: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> Engraving:
        raise EngravingError("No picture came.")

    monkeypatch.setattr("curriculum.views.typing.engrave", broken)

    assert "No picture came." in check(ada, "CDEF|").text
    assert keep(ada, "CDEF|").status_code == 302


# Hostile --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("right", "said"),
    [
        ("C" * 1_000_000, "This is 1000000 characters long; at most 20000 characters fit."),
        ("C\0D", "holds a character that cannot be kept"),
        ("C\x07DEF|", "means nothing here"),
        ("[" * 9_000, "means nothing"),
        ("(" * 9_000, "More than six slurs are open."),
        ("{" * 9_000, "Grace notes are opened and not closed."),
        ("(3" * 9_000, "A group begins inside another one."),
        ("z4|" * 5_000, "more than 4000 bars"),
        ("CDEF|&C4|", "Two voices in one hand (&amp;) are not read."),
        ("<script>alert(1)</script>", "stands between two notes"),
        ("C9999999999|", "A length is written such as 2, 3/2"),
        ("Z9999|", "more than 4000 bars"),
        ("M:0/0\nCDEF|", "is no time signature"),
    ],
)
def test_what_is_no_music_is_refused_in_words_and_stays_in_its_box(ada: Client, right: str, said: str) -> None:
    sent = keep(ada, right)
    for answer in (sent, check(ada, right)):
        assert said in answer.text
    assert sent.context["form"]["right_text"].value() == right
    assert sent.status_code == 422
    assert not Score.objects.exists()


@pytest.mark.parametrize(
    ("name", "value"), [("key", "H"), ("metre", "9/9"), ("unit", "1/3"), ("bpm", "fast"), ("bpm", "9")]
)
def test_choices_that_are_none_are_refused_beside_the_choice(ada: Client, name: str, value: str) -> None:
    answer = keep(ada, "CDEF|", **{name: value})

    assert answer.status_code == 422
    assert answer.context["form"].errors[name]
    assert "CDEF|" in answer.text


# The help -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.name)
def test_every_example_of_the_help_is_read_and_shown(ada: Client, example, drawn: list) -> None:
    address = f"{TYPE}?show={example.name}"

    page = ada.get(address)
    assert page.context["faults"] == []
    assert page.context["doubts"] == []
    assert page.context["summary"].endswith("full.")
    part = ada.get(address, headers=HTMX)
    assert "<h1" not in part.text


def test_an_example_that_is_none_is_not_found(ada: Client) -> None:
    assert ada.get(f"{TYPE}?show=all").status_code == 404


# Others ---------------------------------------------------------------------------------------------------------------


def test_strangers_are_told_nothing_and_write_nothing(stranger: Client, ada: Client, piece: Piece, unit: Unit) -> None:
    score = score_of(ada, "CDEF|")
    retype = reverse("curriculum:score-retype", args=[score.pk])

    for address in (retype, f"{TYPE}?piece={piece.pk}", f"{TYPE}?unit={unit.pk}"):
        assert stranger.get(address).status_code == 404
        assert keep(stranger, "G4|", address=address).status_code == 404
    assert Score.objects.get().right_text == "CDEF|"


def test_a_strangers_token_names_no_score_of_mine(stranger: Client, ada: Client) -> None:
    keep(ada, "CDEF|", token="12ab")
    keep(stranger, "G4|", token="12ab")

    assert Score.objects.count() == 2


@pytest.mark.parametrize("query", ["?piece=x", "?unit=1"])
def test_typing_for_nothing_is_not_found(ada: Client, query: str) -> None:
    assert ada.get(f"{TYPE}{query}").status_code == 404


def test_whoever_is_signed_out_is_sent_to_sign_in(client: Client) -> None:
    assert "/sign-in/" in client.get(TYPE).url


def test_the_wrong_method_is_refused(ada: Client) -> None:
    assert ada.put(TYPE).status_code == 405


def test_a_piece_and_a_unit_lead_here(ada: Client, piece: Piece, unit: Unit) -> None:
    assert f"{TYPE}?piece=" in ada.get(reverse("curriculum:piece", args=[piece.pk])).text
    assert f"{TYPE}?unit=" in ada.get(reverse("curriculum:unit", args=[unit.pk])).text


def test_the_musicxml_of_typed_notes_is_read_back_equal(ada: Client) -> None:
    score = score_of(
        ada, "|: !1!C D (3!3!EFG | [1 E4 :| [2 (c2 !p!c2) |]", "|: [C,E,]4 | [1 {A,,}G,,2-G,,2 :| [2 C,4 |]"
    )

    assert read_musicxml(score.musicxml_path.read_bytes()) == services.written_of(score)
