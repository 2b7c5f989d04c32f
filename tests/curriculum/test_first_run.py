"""From the one-time link to the first sheet, in a browser the size of a phone."""

import hashlib
import time
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from curriculum.models import Book, Learner
from tests.conftest import PHONE

CONTENTS = """PART ONE
1. The lie of the keys ..... 6
2. Five keys under the hand ..... 8
3. A walk in step ..... 10
4. Long and short ..... 12"""
# Seconds that the machine may take of the ten minutes; the rest is the learner's, for reading and typing.
MACHINE_S = 120.0
# Fields, choices and buttons touched up to the proposal of the first sheet, the two contents fields included. At 20 s for
# each, a slow typist stays well within ten minutes.
MOST_TOUCHES = 22


class Hand:
    """A learner who touches one thing after the other; counts them."""

    def __init__(self, page: Page) -> None:
        self.page, self.touches = page, 0

    def type(self, field: str, text: str) -> None:
        self.page.fill(field, text)
        self.touches += 1

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).click()
        self.touches += 1

    def choose(self, name: str) -> None:
        self.page.locator("label.choice").filter(has=self.page.get_by_text(name, exact=True)).click()
        self.touches += 1


def assert_accessible(page: Page) -> None:
    faults = Axe().run(page).response["violations"]
    assert not faults, [(fault["id"], fault["nodes"][0]["html"]) for fault in faults]


@pytest.fixture
def link(settings: object, tmp_path: Path) -> str:
    settings.KEYSLIP_DATA = tmp_path
    (tmp_path / "first_account_token").write_text(hashlib.sha256(b"open-sesame").hexdigest())
    return "/begin/open-sesame/"


@pytest.mark.e2e
@pytest.mark.django_db(transaction=True)
def test_first_sheet_is_proposed_within_ten_minutes(phone: Page, live_server: object, link: str) -> None:
    began = time.monotonic()
    hand = Hand(phone)
    phone.goto(f"{live_server.url}{link}")
    assert_accessible(phone)
    hand.type("#id_username", "ada")
    hand.type("#id_password", "quiet-keys-88")
    hand.type("#id_again", "quiet-keys-88")
    hand.press("Make the account")
    assert_accessible(phone)
    hand.choose("digital piano")
    hand.choose("no")
    hand.press("Save and go on")
    assert_accessible(phone)
    hand.type("#id_title", "Evening Piano")
    hand.type("#id_contents", CONTENTS)
    hand.press("Look at the units")
    assert not Book.objects.exists()
    assert_accessible(phone)
    hand.press("Keep these units")
    assert_accessible(phone)
    hand.press("I am here")
    for words, skill in [("naming the keys", "Naming the keys"), ("five-finger position", "Five-finger place")]:
        hand.type("#id_words", words)
        phone.locator("#offers .choice", has_text=skill).wait_for()
        assert_accessible(phone)
        hand.choose(skill)
        hand.press("Save and go on")
    phone.wait_for_url("**/week/**")
    phone.get_by_text("The lie of the keys").first.wait_for()
    learner = Learner.objects.get()
    assert (learner.instrument, learner.has_played_before, learner.set_up_on) == ("digital", False, learner.today())
    assert hand.touches <= MOST_TOUCHES
    assert time.monotonic() - began < MACHINE_S


@pytest.mark.e2e
@pytest.mark.django_db(transaction=True)
def test_setting_up_works_without_scripts(chromium: Browser, live_server: object, link: str) -> None:
    context = chromium.new_context(**PHONE, java_script_enabled=False)
    page = context.new_page()
    hand = Hand(page)
    page.goto(f"{live_server.url}{link}")
    for field, text in [("#id_username", "ada"), ("#id_password", "quiet-keys-88"), ("#id_again", "quiet-keys-88")]:
        hand.type(field, text)
    hand.press("Make the account")
    hand.choose("no")
    hand.press("Save and go on")
    hand.type("#id_title", "Evening Piano")
    hand.type("#id_contents", CONTENTS)
    hand.press("Look at the units")
    hand.press("Keep these units")
    hand.press("I am here")
    hand.type("#id_words", "naming the keys")
    hand.press("Offer skills for these words")
    hand.choose("Naming the keys")
    hand.press("Save and go on")
    page.get_by_role("link", name="Leave this for later").click()
    assert page.url.endswith("/week/")
    context.close()
