"""Typing a piece in a browser: how many keys it takes, what is seen meanwhile, and that nothing typed is lost."""

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page, expect

from curriculum.models import Learner, Score
from curriculum.services import written_of
from tests.make import make_learner, make_piece

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

# Keys that need Shift on British and American keyboards, beside capital letters.
SHIFTED = set('|"!<>(){}^_:~')
MOST_KEYS_A_BAR = 14


@pytest.fixture
def learner(settings, tmp_path: Path) -> Learner:
    settings.KEYSLIP_DATA = tmp_path
    return make_learner()


def sign_in(page: Page, learner: Learner, base: str) -> None:
    client = Client()
    client.force_login(learner)
    name = django_settings.SESSION_COOKIE_NAME
    page.context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": base}])


class Typist:
    """Somebody at a keyboard. Every key that goes down is counted by the page itself: Shift, Caps Lock and Enter as well.

    Capital letters are written with Caps Lock on, switched only where the case changes; other signs take Shift each time.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self.has_caps = False
        page.evaluate(
            """() => {
              window.keysDown = 0;
              addEventListener("keydown", (event) => { if (!event.repeat) window.keysDown += 1; }, true);
            }"""
        )

    def type(self, text: str) -> None:
        keyboard = self.page.keyboard
        for character in text:
            if character.isalpha() and character.isupper() != self.has_caps:
                keyboard.press("CapsLock")
                self.has_caps = not self.has_caps
            if character in SHIFTED:
                keyboard.down("Shift")
                keyboard.press(character)
                keyboard.up("Shift")
            else:
                keyboard.press("Enter" if character == "\n" else character)

    @property
    def keys(self) -> int:
        return self.page.evaluate("window.keysDown")


# Invented, as they stand in books for beginners: what is chosen beside the boxes, right hand, left hand, how many bars.
# Barlines are left out where the page puts them in.
PIECES = {
    "quarters in both hands": ({}, "CDEFGFEDCEDFE2C2", "C,E,G,E,G,,B,,D,B,,C,E,D,G,C,2C,2", 4),
    "half notes below": ({}, "EDCDEEE2DDD2EGG2", "C,2G,,2C,2C,2G,,2B,,2C,2E,2", 4),
    "whole notes below": ({}, "G2E2F2D2EFGAG4", "C,4G,,4C,4[C,E,]4", 4),
    "hands in turn": ({}, "CDEFZGFEDZC4", "ZC,D,E,F,ZG,F,E,D,C,4", 5),
    "eighths": ({"unit": "1/8"}, "C2DEF2EDE2FGA2G2GFEDC2D2C8", "C,4G,,4C,8G,,4B,,4C,8", 4),
    "key of G, dotted": ({"key": "G"}, "G3ABAG2d3cB4", "G,4G,2D,2D,4G,4", 4),
    "small letters, an octave up": ({}, "cdefgec2dfage4", "C2G,2C4F2F,2C4", 4),
    "repeated, with its end": ({}, "|:CEGEDFAFE2D2C4:|", "C,4D,4G,,4C,4", 4),
}


def test_a_bar_takes_few_keys(desktop: Page, live_server, learner: Learner) -> None:
    sign_in(desktop, learner, live_server.url)
    desktop.add_init_script("localStorage.clear()")  # no draft of the piece before
    found = {}
    for name, (chosen, right, left, bars) in PIECES.items():
        desktop.goto(live_server.url + reverse("curriculum:score-type"))
        typist = Typist(desktop)
        for field, value in chosen.items():
            desktop.locator(f"[name={field}]").select_option(value)
        desktop.get_by_label("Right hand").focus()
        typist.type(right)
        desktop.keyboard.press("Tab")
        typist.type(left)
        expect(desktop.get_by_text(f"{bars} bars in both hands, and all are full.")).to_be_visible()
        found[name] = typist.keys / bars
    print(", ".join(f"{name} {keys:.1f}" for name, keys in found.items()))
    assert max(found.values()) <= MOST_KEYS_A_BAR, found


def test_notes_appear_while_typing_and_stay_while_something_is_wrong(
    phone: Page, live_server, learner: Learner
) -> None:
    piece = make_piece(learner, "The Night Ferry")
    sign_in(phone, learner, live_server.url)
    phone.goto(f"{live_server.url}{reverse('curriculum:piece', args=[piece.pk])}")
    phone.get_by_role("link", name="Type it").click()
    notes = phone.locator("#typed-notes .notation-narrow [data-note]")

    phone.get_by_label("Right hand").press_sequentially("CDE")
    expect(notes).to_have_count(3)
    expect(phone.get_by_text("What is not typed yet stands as rests.")).to_be_visible()
    phone.get_by_label("Right hand").press_sequentially("F|GQ")
    expect(phone.get_by_text("is no note")).to_be_visible()
    expect(notes).to_have_count(3)  # those before stay
    assert phone.evaluate("document.activeElement.name") == "right_text"
    phone.get_by_role("link", name="Right hand, line 1, column 7").click()
    phone.keyboard.press("Delete")
    expect(phone.get_by_text("too short by 3 quarters")).to_be_visible()
    expect(notes).to_have_count(5)
    phone.get_by_label("Right hand").press("End")
    phone.keyboard.type("4")
    phone.get_by_label("Left hand").press_sequentially("[C,E,]4Z")
    expect(phone.get_by_text("2 bars in both hands, and all are full.")).to_be_visible()
    assert phone.get_by_label("Right hand").input_value() == "CDEF|G4"
    assert phone.get_by_label("Left hand").input_value() == "[C,E,]4 | Z"
    for scheme in ("light", "dark"):
        phone.emulate_media(color_scheme=scheme)
        assert Axe().run(phone).violations_count == 0
        assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    phone.get_by_role("button", name="Keep it").click()
    phone.wait_for_url(re.compile(r"/scores/[0-9a-f-]{36}/$"))
    score = Score.objects.get()
    assert (score.piece, score.source, len(written_of(score).notes)) == (piece, "typed", 7)


def test_what_was_typed_survives_a_closed_page_and_goes_once_it_is_kept(
    desktop: Page, live_server, learner: Learner
) -> None:
    address = live_server.url + reverse("curriculum:score-type")
    sign_in(desktop, learner, live_server.url)
    desktop.goto(address)
    desktop.get_by_label("Time signature").select_option("3/4")
    desktop.get_by_label("Right hand").press_sequentially("CDEFGA")
    desktop.get_by_label("Left hand").press_sequentially("C,2")
    desktop.goto("about:blank")

    desktop.goto(address)
    expect(desktop.get_by_text("did not keep is back")).to_be_visible()
    assert desktop.get_by_label("Right hand").input_value() == "CDE | FGA"
    assert desktop.get_by_label("Time signature").input_value() == "3/4"
    expect(desktop.get_by_text("too short by 1 quarter")).to_be_visible()
    desktop.get_by_role("button", name="Keep it").click()  # refused, and still here
    expect(desktop.get_by_text("too short by 1 quarter")).to_be_visible()
    desktop.goto(address)
    assert desktop.get_by_label("Right hand").input_value() == "CDE | FGA"
    desktop.get_by_label("Left hand").fill("C,3|F,3|")
    desktop.get_by_role("button", name="Keep it").click()
    desktop.wait_for_url(re.compile(r"/scores/[0-9a-f-]{36}/$"))

    desktop.goto(address)
    assert desktop.get_by_label("Right hand").input_value() == ""
    assert not desktop.get_by_text("did not keep is back").is_visible()
    desktop.get_by_label("Right hand").press_sequentially("C")
    desktop.goto("about:blank")
    desktop.goto(address)
    desktop.get_by_role("button", name="Leave it out").click()
    assert desktop.get_by_label("Right hand").input_value() == ""


def test_barlines_are_put_in_where_they_are_sure_and_can_be_left_out(
    desktop: Page, live_server, learner: Learner
) -> None:
    sign_in(desktop, learner, live_server.url)
    desktop.goto(live_server.url + reverse("curriculum:score-type"))
    box = desktop.get_by_label("Right hand")
    for typed, stands in {
        "CDEFGABc": "CDEF | GABc",
        "CDE>FG": "CDE>F | G",
        "(3CDEF2GA": "(3CDEF2 | GA",
        "[CE]2[DF]2!1!C": "[CE]2[DF]2 | !1!C",
        "|:CDEF:|G4|A4": "|:CDEF:|G4|A4",
        "C|DEFGA": "C|DEFG | A",
        "CDE^FG": "CDE^F | G",
        "[M:3/4]CDEF": "[M:3/4]CDE | F",
        "L:1/8\nCDEFGABcd": "L:1/8\nCDEFGABc | d",
        "X:1\nK:C\nCDEFGABcd": "X:1\nK:C\nCDEFGABcd",
    }.items():
        box.fill("")
        box.press_sequentially(typed)
        assert box.input_value() == stands
    box.fill("CDEF")
    box.press("Home")
    box.press_sequentially("G")  # not at the end: the text is being mended
    assert box.input_value() == "GCDEF"
    box.fill("")
    box.press_sequentially("CDEFG")
    box.press("Control+z")
    assert "|" not in box.input_value()
    desktop.get_by_text("Put in the barline").click()
    box.fill("")
    box.press_sequentially("CDEFG")
    assert box.input_value() == "CDEFG"


def test_a_paste_that_is_far_too_long_stays_and_is_not_sent(desktop: Page, live_server, learner: Learner) -> None:
    sign_in(desktop, learner, live_server.url)
    desktop.goto(live_server.url + reverse("curriculum:score-type"))
    asked = []
    desktop.on("request", lambda request: asked.append("sent") if request.method == "POST" else None)
    desktop.get_by_label("Right hand").fill("CDEF|" * 200_000)
    expect(desktop.get_by_text("A box holds 20,000 characters at most.")).to_be_visible()
    desktop.get_by_role("button", name="Keep it").click()
    assert len(desktop.get_by_label("Right hand").input_value()) == 1_000_000
    desktop.get_by_label("Right hand").fill("CDEF|")
    expect(desktop.get_by_text("1 bar in the right hand, and it is full.")).to_be_visible()
    assert asked == ["sent"]
    assert not desktop.get_by_text("A box holds 20,000 characters at most.").is_visible()


def test_an_example_of_the_help_is_shown_in_notes_and_what_was_typed_stays(
    desktop: Page, live_server, learner: Learner
) -> None:
    sign_in(desktop, learner, live_server.url)
    desktop.goto(live_server.url + reverse("curriculum:score-type"))
    desktop.get_by_label("Right hand").press_sequentially("CD")
    help_ = desktop.locator(".only-wide")
    help_.get_by_text("Chords", exact=True).click()
    help_.get_by_role("link", name="Show it in notes").locator("visible=true").click()
    expect(help_.locator("[data-note]")).to_have_count(7)
    assert desktop.get_by_label("Right hand").input_value() == "CD"
    assert Axe().run(desktop).violations_count == 0
