"""The whole job in a browser that runs no scripts: from the one-time link to the way to the dream piece."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from playwright.sync_api import Browser, Page, expect

from curriculum.models import Learner
from keyslip.first_account import first_account_path
from lessons import services as lessons
from lessons.models import Job, Take
from lessons.views import film as film_views
from tests.conftest import PHONE
from tests.tools.phone_clip import make_phone_clip

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

CONTENTS = """Part one: Five fingers
1  The lantern .......... 6
2  Rain on the roof ..... 8
3  Both gates open ..... 10
4  Evening bell ........ 12
"""
# More steps than judging one line takes; one that leads in a circle ends here.
MOST_STEPS = 20


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    context = chromium.new_context(**PHONE, locale="en-GB", java_script_enabled=False)
    context.set_default_timeout(20_000)  # milliseconds: two busy cores
    yield context.new_page()
    context.close()


@pytest.fixture
def rung(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The queue, as a list of the jobs rung for; the test is the worker."""
    jobs: list[str] = []
    monkeypatch.setattr(film_views, "ring", jobs.append)
    return jobs


def press(page: Page, name: str | re.Pattern[str]) -> None:
    page.get_by_role("button", name=name).first.click()


def follow(page: Page, name: str | re.Pattern[str]) -> None:
    page.get_by_role("link", name=name).first.click()


def test_the_whole_job_without_scripts(page: Page, live_server, rung: list[str], tmp_path: Path) -> None:
    page.goto(live_server.url + str(first_account_path(settings.KEYSLIP_DATA)))
    set_up(page)
    press(page, "Set this sheet")
    practise(page)
    send(page, make_phone_clip(tmp_path / "IMG_4711.MOV", seconds=6), rung)
    set_a_take(page)
    judge(page)
    see_the_way(page)
    assert Learner.objects.get().lessons.get().decided_at


def set_up(page: Page) -> None:
    for label, text in (("Name", "ida"), ("Password", "under the stairs 9")):
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Password again").fill("under the stairs 9")
    press(page, "Make the account")
    page.get_by_label("Minutes on such a day").fill("35")
    press(page, "Save and go on")
    page.get_by_label("Title").fill("The Lamplit Keys")
    page.locator("textarea[name=contents]").fill(CONTENTS)
    press(page, "Look at the units")
    expect(page.get_by_role("heading", name="4 units, not saved yet")).to_be_visible()
    press(page, "Keep these units")
    page.get_by_label("I am here").select_option(label="2. Rain on the roof")
    press(page, "I am here")
    for words in ("five fingers in one place, right hand", "playing softly and loudly"):
        page.locator("textarea[name=words]").fill(words)
        press(page, "Offer skills for these words")
        page.locator("#offers input[name=skills]").first.check()
        press(page, "Save and go on")
    expect(page.get_by_role("heading", level=1)).to_have_text("Set the week")


def practise(page: Page) -> None:
    press(page, re.compile("^Right.*first try of A today"))
    expect(page.locator("#line-A")).to_contain_text("First try today: right")
    expect(page.get_by_role("button", name="Print the sheet")).to_be_hidden()
    follow(page, "Practise A")
    page.get_by_label("Bars").fill("5-8")
    press(page, "Not yet")
    expect(page.locator("main")).to_contain_text("1 of 2 right")
    press(page, "Take the last try back")
    expect(page.locator("main")).to_contain_text("1 of 1 right")
    follow(page, "Back to the sheet")


def send(page: Page, film: Path, rung: list[str]) -> None:
    follow(page, "Film the lesson")
    page.get_by_label("The clip", exact=True).set_input_files(film)
    page.get_by_label("The whole lesson in one clip").check()
    page.get_by_label("yes, the first").check()
    press(page, "Send the clip")
    expect(page.locator("main")).to_contain_text("Waiting for its turn")
    follow(page, "Look again")
    expect(page.locator("main")).to_contain_text("You need not wait.")
    assert [lessons.run_job(job) for job in rung] == [True]
    assert Job.objects.get().state == Job.State.DONE
    # Without scripts the page of a clip under way comes anew by itself every four seconds, perhaps while a link is pressed.
    expect(page.locator("video")).to_be_visible()


def set_a_take(page: Page) -> None:
    page.get_by_label("What is played").select_option(index=1)
    page.get_by_label("From").fill("0:01")
    page.get_by_label("To", exact=True).fill("0:05")
    press(page, "Set the take")
    expect(page.locator("#takes")).to_contain_text("0:01.0 to 0:05.0")
    follow(page, "Play")
    expect(page.locator("video")).to_have_attribute("src", re.compile(r"#t=1\.00,5\.00$"))


def judge(page: Page) -> None:
    """Do the next thing until one thing for the week is asked for."""
    follow(page, "Judge the lesson")
    follow(page, re.compile("^Go on"))
    for _ in range(MOST_STEPS):
        path = page.url.rstrip("/")
        if "/looks/" in path:
            take_a_look(page)
        elif path.endswith("/skills"):
            for group in page.locator("form fieldset").all():
                group.get_by_label("yes", exact=True).check()
            press(page, "Write this down")
        elif path.endswith("/verdict"):
            page.get_by_text("another week", exact=True).first.click()
            press(page, "Decide")
        else:
            break
    expect(page.get_by_role("heading", level=1)).to_have_text("One thing for the coming week")
    page.locator("input[name=work_on]").first.check()
    press(page, "Close the lesson")
    expect(page.get_by_role("heading", level=1)).to_have_text("The lesson is closed")


def take_a_look(page: Page) -> None:
    expect(page.locator("[data-take]")).to_have_attribute("controls", "")
    if not Take.objects.get().moment_notes.exists():
        page.get_by_text("Note something at a moment").click()
        page.get_by_label("At", exact=True).fill("0:02")
        page.get_by_label("What you noticed").fill("the thumb bumps")
        press(page, "Pin the note")
        expect(page.locator("#moments li")).to_contain_text("the thumb bumps")
    page.get_by_label("mostly there").check()
    press(page, "Write down my mark")
    follow(page, re.compile("^Next:"))


def see_the_way(page: Page) -> None:
    follow(page, "Pieces")
    follow(page, "Add a piece")
    page.get_by_label("Title").fill("The Night Ferry")
    page.get_by_label("This is a piece I dream of").check()
    press(page, "Save and go on")
    page.get_by_label("much harder").check()
    press(page, "Propose skills")
    expect(page.get_by_text("Proposed, not kept yet")).to_be_visible()
    press(page, "Keep what it needs")
    follow(page, "Way")
    expect(page.get_by_role("heading", name="In the order in which they can be learnt")).to_be_visible()
    assert page.locator("main ol.entries > li").count() > 3
