"""A score on a phone, from the file to the last yes: its questions, its notes and signs, and what it asks of the piece."""

import re
from fractions import Fraction
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page, expect

from curriculum import services
from curriculum.models import Demand, Learner, Piece, Score
from curriculum.score import PlannedNote, make_score, plain_bars
from curriculum.score.musicxml import write_musicxml
from tests.make import make_assignment, make_book, make_learner, make_lesson, make_piece, make_unit

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

SCORE = re.compile(r"/scores/[0-9a-f-]{36}/$")


def one_staff() -> bytes:
    """Return a file with one staff of a part that is no hand: six bars, staccato dots and a sharp."""
    notes = [
        PlannedNote(
            Fraction(beat), Fraction(1), "CDEFGA"[beat % 6], int(beat == 9), 4, "right",
            articulations=("staccato",) if beat < 4 else (),
        )
        for beat in range(24)
    ]  # fmt: skip
    return write_musicxml(make_score(notes, bars=plain_bars(6), hands=("right",))).replace(b"Right hand", b"Piano")


@pytest.fixture
def learner(settings, tmp_path: Path) -> Learner:
    settings.KEYSLIP_DATA = tmp_path
    made = make_learner()
    services.seed_skills(made)
    return made


@pytest.fixture
def piece(learner: Learner) -> Piece:
    return make_piece(learner, "The Night Ferry")


@pytest.fixture
def signed_in(phone: Page, learner: Learner, live_server) -> Page:
    client = Client()
    client.force_login(learner)
    name = django_settings.SESSION_COOKIE_NAME
    phone.context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])
    return phone


def hold_to_the_rules(page: Page) -> None:
    """The page fits the phone and can be used by anybody, by day and by night."""
    # By night it is the colours alone that differ.
    for scheme, rules in (("light", {}), ("dark", {"runOnly": ["color-contrast"]})):
        page.emulate_media(color_scheme=scheme)
        found = Axe().run(page, options={"resultTypes": ["violations"], **rules})
        assert found.violations_count == 0, found.generate_report()
    page.emulate_media(color_scheme="light")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def upload(page: Page, data: bytes, *, name: str = "ferry.musicxml") -> None:
    page.get_by_label("The file").set_input_files({"name": name, "mimeType": "application/xml", "buffer": data})
    page.get_by_role("button", name="Read the file").click()


def test_a_file_is_asked_about_looked_at_and_answered(signed_in: Page, live_server, piece: Piece) -> None:
    page = signed_in
    page.goto(live_server.url + reverse("curriculum:piece", args=[piece.pk]))
    page.get_by_role("link", name="Add a file").click()
    hold_to_the_rules(page)
    upload(page, b"<html>no score</html>")
    expect(page.locator(".error")).to_be_visible()
    assert not Score.objects.exists()
    upload(page, one_staff())

    # Which hand, and how fast, are not guessed.
    page.wait_for_url(SCORE)
    expect(page.get_by_role("heading", name="Keyslip asks")).to_be_visible()
    hold_to_the_rules(page)
    page.get_by_text("the left hand", exact=True).click()
    page.get_by_label("How fast is it meant to go").fill("66")
    page.get_by_role("button", name="Keep the answers").click()
    expect(page.get_by_role("heading", name="Keyslip asks")).to_have_count(0)
    score = Score.objects.get()
    written = services.written_of(score)
    assert {note.hand for note in written.notes} == {"left"}
    assert written.bpm == 66
    expect(page.locator(".notation-narrow [data-note]")).to_have_count(24)

    # A finger on a note brings the signs of its bar forward.
    page.locator(".notation-narrow [data-bar='0'] .m-artic").first.click(force=True)
    expect(page.get_by_text("In bar 1", exact=True)).to_be_visible()
    sign = page.locator("[data-sign=staccato]")
    expect(sign).to_have_attribute("open", "")
    expect(sign).to_contain_text("Not in your book yet")
    hold_to_the_rules(page)
    page.get_by_role("button", name="Show all of them").click()
    expect(page.locator("[data-sign]:visible")).to_have_count(page.locator("[data-sign]").count())

    # What it asks.
    page.get_by_role("link", name="Go through them").click()
    hold_to_the_rules(page)
    rows = page.locator("fieldset.field")
    assert rows.count() == Demand.objects.filter(piece=piece).count()
    for place in range(rows.count()):
        rows.nth(place).get_by_text("no" if place == 0 else "yes", exact=True).click()
    page.get_by_role("button", name="Keep the answers").click()
    page.wait_for_url(re.compile(r"/pieces/"))
    assert Demand.objects.filter(piece=piece, answer="asked").count() == 0
    assert Demand.objects.filter(piece=piece, answer="no").count() == 1
    piece.refresh_from_db()
    assert piece.looked_at_on is not None


def test_a_file_is_replaced_renamed_and_deleted(signed_in: Page, live_server, piece: Piece) -> None:
    page = signed_in
    page.goto(f"{live_server.url}{reverse('curriculum:score-new')}?piece={piece.pk}")
    upload(page, one_staff())
    page.wait_for_url(SCORE)
    address = page.url

    page.get_by_role("link", name="Put in another file").click()
    hold_to_the_rules(page)
    upload(page, one_staff().replace(b"<step>C</step>", b"<step>B</step>"), name="better.musicxml")
    page.wait_for_url(address)
    expect(page.get_by_text("The new file is in its place.")).to_be_visible()
    expect(page.get_by_text("It came as better.musicxml.")).to_be_visible()
    page.get_by_role("link", name="Rename it").click()
    page.get_by_label("Title").fill("The Night Ferry, easier")
    page.locator("main button[type=submit]").click()
    expect(page.get_by_role("heading", name="The Night Ferry, easier")).to_be_visible()
    score = Score.objects.get()
    assert "B" in {note.step for note in services.written_of(score).notes}

    page.get_by_role("link", name="Delete it").click()
    hold_to_the_rules(page)
    page.get_by_role("button", name="Delete the score").click()
    expect(page.get_by_text("is deleted.")).to_be_visible()
    assert not score.folder.exists()
    expect(page.get_by_role("link", name="Add a file")).to_be_visible()


def test_a_pattern_is_made_by_eye_and_put_on_the_sheet(signed_in: Page, live_server, learner: Learner) -> None:
    page = signed_in
    unit = make_unit(make_book(learner), "Up and down")
    row = make_assignment(make_lesson(learner), unit=unit)
    page.goto(live_server.url + reverse("curriculum:unit", args=[unit.pk]))
    page.get_by_role("link", name="Make a pattern").click()
    heading = page.locator("#pattern h2")
    before = heading.text_content()
    page.get_by_label("Key", exact=True).select_option("D")
    expect(heading).not_to_have_text(before)
    expect(heading).to_contain_text("D major")
    page.get_by_text("both hands", exact=True).click()
    expect(heading).to_contain_text("both hands")
    expect(page.locator("#pattern .notation-narrow [data-note]").first).to_be_visible()
    hold_to_the_rules(page)
    assert not Score.objects.exists()
    page.get_by_role("button", name="Keep it").click()
    page.wait_for_url(SCORE)
    score = Score.objects.get()
    assert (score.unit, score.source) == (unit, "pattern")
    hold_to_the_rules(page)

    page.goto(live_server.url + reverse("lessons:line-edit", args=[row.pk]))
    page.locator("[name=score]").select_option(str(score.pk))
    page.locator("main form").first.locator("button[type=submit]").first.click()
    page.wait_for_load_state()
    row.refresh_from_db()
    assert row.score == score
