"""The whole job on a phone, in the program as a learner starts it: from the one-time link to the way to the dream piece."""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, Response, expect

from tests.house import House
from tests.tools.phone_clip import make_phone_clip
from tests.waiting import wait_for

pytestmark = [pytest.mark.e2e, pytest.mark.slow]

# Seconds that a person needs, guessed on the slow side: to find and press one thing after reading what is new on the page,
# and to press one key of a phone's keyboard (about 15 words a minute).
TAP_S, KEY_S = 6.0, 0.8
# Seconds within which the first sheet must stand.
FIRST_SHEET_S = 600.0
# Seconds of the film: long enough that the copy takes several looks at the progress.
FILM_S = 45.0

CONTENTS = """Part one: The black keys
1  Two black keys ........ 6
2  Three black keys ...... 8
3  Stepping stones ...... 10
Part two: Five fingers
4  The lantern .......... 12
5  Rain on the roof ..... 14
6  Both gates open ...... 16
7  Slow market .......... 18
8  Evening bell ......... 21
"""


@dataclass
class Walk:
    """A page that counts what a hand does on it, and looks at every page with axe."""

    page: Page
    taps: int = 0
    keys: int = 0
    seen: list[str] = field(default_factory=list)

    @property
    def hand_s(self) -> float:
        """Seconds that this would have taken a person."""
        return self.taps * TAP_S + self.keys * KEY_S

    def tap(self, what: Locator) -> None:
        what.scroll_into_view_if_needed()
        what.tap()
        self.taps += 1

    def go(self, what: Locator) -> None:
        """Tap what leads to another address, and wait until it is there."""
        here = self.page.url
        self.tap(what)
        self.page.wait_for_url(lambda url: url != here)

    def write(self, what: Locator, text: str) -> None:
        self.tap(what)
        what.fill(text)
        self.keys += len(text)

    def paste(self, what: Locator, text: str) -> None:
        self.tap(what)
        what.fill(text)
        self.taps += 2  # holding, and "paste"

    def button(self, name: str | re.Pattern[str]) -> Locator:
        return self.page.get_by_role("button", name=name).first

    def link(self, name: str | re.Pattern[str]) -> Locator:
        return self.page.get_by_role("link", name=name).first

    def look(self, title: str | re.Pattern[str]) -> None:
        """Wait for the page of this title, and hold it to the rules for every page."""
        expect(self.page).to_have_title(title if isinstance(title, re.Pattern) else f"{title} – Keyslip")
        self.page.wait_for_load_state("load")
        found = Axe().run(self.page)
        assert found.violations_count == 0, found.generate_report()
        width = self.page.evaluate("document.documentElement.scrollWidth")
        assert width <= 390, f"{self.page.url} is {width} wide"
        assert self.page.locator("h1").count() == 1, self.page.url
        self.seen.append(self.page.title())


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with House(tmp_path / "data") as running:
        yield running


@pytest.fixture(scope="session")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_phone_clip(tmp_path_factory.mktemp("phone") / "IMG_4711.MOV", seconds=FILM_S)


def test_the_whole_job_on_a_phone(house: House, phone: Page, film: Path, record_property) -> None:
    walk = Walk(phone)
    open_the_first_account(walk, house)
    began = time.monotonic()
    set_up(walk)
    set_the_first_sheet(walk)
    machine_s = time.monotonic() - began
    for name, value in {"taps": walk.taps, "keys": walk.keys, "hand_s": walk.hand_s, "machine_s": machine_s}.items():
        record_property(name, value)
    print(
        f"\nfirst sheet: {walk.taps} taps, {walk.keys} keys, {machine_s:.0f} s of the machine, {walk.hand_s:.0f} s of a hand"
    )
    assert machine_s + walk.hand_s < FIRST_SHEET_S
    try_once(walk)
    send_the_film(walk, film)
    watch_it(walk)
    set_a_take(walk)
    judge(walk)
    see_the_way(walk)
    print(f"{len(walk.seen)} pages looked at: {', '.join(walk.seen)}")


def open_the_first_account(walk: Walk, house: House) -> None:
    walk.page.goto(house.begin_url)
    walk.look("The first account")
    walk.page.get_by_label("Name", exact=True).fill("ida")
    walk.page.get_by_label("Password", exact=True).fill("under the stairs 9")
    walk.page.get_by_label("Password again").fill("under the stairs 9")
    link = walk.page.url
    walk.go(walk.button("Make the account"))
    assert house.status(link.removeprefix(house.base)) == 404, "The first door is shut once somebody is in."


def set_up(walk: Walk) -> None:
    page = walk.page
    walk.look("Your week and your piano")
    walk.write(page.get_by_label("Minutes on such a day"), "35")
    walk.tap(walk.button("Save and go on"))

    walk.look("Your book")
    walk.write(page.get_by_label("Title"), "The Lamplit Keys")
    walk.paste(page.locator("textarea[name=contents]"), CONTENTS)
    walk.tap(walk.button("Look at the units"))
    expect(page.get_by_role("heading", name="8 units, not saved yet")).to_be_visible()
    walk.look("Your book")
    walk.tap(walk.button("Keep these units"))

    walk.look("Where are you?")
    page.get_by_label("I am here").select_option(label="4. The lantern")
    walk.taps += 2
    walk.tap(walk.button("I am here"))

    for unit, words in (("4", "five fingers in one place, right hand"), ("5", "playing softly and loudly")):
        walk.look(f"What is new in unit {unit}")
        walk.write(page.locator("textarea[name=words]"), words)
        offer = page.locator("#offers input[name=skills]").first
        expect(offer).to_be_visible()
        if not offer.is_checked():
            walk.tap(page.locator("#offers label.choice").first)
        walk.tap(walk.button("Save and go on"))


def set_the_first_sheet(walk: Walk) -> None:
    walk.look("Set the week")
    expect(walk.page.get_by_text("The lantern").first).to_be_visible()
    walk.tap(walk.button("Set this sheet"))
    walk.look(re.compile("^Lesson sheet"))
    expect(walk.page.get_by_text("Good, for").first).to_be_visible()


def try_once(walk: Walk) -> None:
    walk.tap(walk.button(re.compile(r"^Right\s*: first try of A today")))
    expect(walk.page.locator("#line-A")).to_contain_text("First try today: right")
    expect(walk.page.locator("#line-A")).to_contain_text("1 try, 1 right")


def send_the_film(walk: Walk, film: Path) -> None:
    page = walk.page
    walk.tap(walk.link("Film the lesson"))
    walk.look(re.compile("Film"))
    page.get_by_label("The clip", exact=True).set_input_files(film)
    walk.tap(page.get_by_text("The whole lesson in one clip"))
    walk.tap(page.get_by_text("yes, the first"))
    # From the first look on, every change of the bar is kept, so that no quick step is missed.
    page.add_init_script(
        """addEventListener("DOMContentLoaded", () => {
             window.seenProgress = [];
             const see = () => { const bar = document.querySelector("progress");
               if (bar) window.seenProgress.push([bar.getAttribute("aria-label"), bar.value]); };
             see();
             new MutationObserver(see).observe(document.body, {childList: true, subtree: true});
           });"""
    )
    walk.tap(walk.button("Send the clip"))
    expect(page).to_have_url(re.compile("/clips/"))
    page.get_by_role("heading", name="Takes").wait_for(timeout=180_000)
    seen = page.evaluate("window.seenProgress")
    copying = [value for label, value in seen if "copy" in label.lower()]
    assert len(set(copying)) >= 2, f"The bar did not move within a step: {seen}"
    assert copying == sorted(copying), f"The bar ran backwards: {seen}"


def watch_it(walk: Walk) -> None:
    page = walk.page
    answers: list[tuple[str, int]] = []

    def note(response: Response) -> None:
        answers.append((response.url, response.status))

    page.on("response", note)
    page.reload()
    walk.look("Clip of the lesson")
    assert_plays(page, "video")
    width, height = page.evaluate(
        "[document.querySelector('video').videoWidth, document.querySelector('video').videoHeight]"
    )
    assert height > width, "A film that was taken upright stands upright."
    page.evaluate("document.querySelector('video').currentTime = 30")
    comes_true(page, "!document.querySelector('video').seeking && document.querySelector('video').currentTime >= 30")
    page.remove_listener("response", note)
    copies = [(url, status) for url, status in answers if url.split("#")[0].endswith("/copy/")]
    assert copies, "The clip was asked for."
    assert {status for _, status in copies} == {206}
    part = page.request.get(copies[0][0], headers={"Range": "bytes=1000-1999"})
    assert (part.status, len(part.body())) == (206, 1000)


def comes_true(page: Page, claim: str) -> None:
    """Wait for a claim about the page. The browser's own waiting evaluates text, which the content policy forbids."""
    wait_for(lambda: page.evaluate(claim), within_s=20, what=claim)


def assert_plays(page: Page, kind: str) -> None:
    page.locator(f"{kind}[src]").first.wait_for()
    page.evaluate(f"(() => {{ const m = document.querySelector('{kind}'); m.muted = true; m.play(); }})()")
    player = f"document.querySelector('{kind}')"
    start_s = float(page.evaluate(f"{player}.dataset.start || 0"))
    comes_true(page, f"{player}.currentTime > {start_s + 0.3} && {player}.currentTime < {start_s + 20}")
    page.evaluate(f"document.querySelector('{kind}').pause()")


def set_a_take(walk: Walk) -> None:
    page = walk.page
    form = page.locator("form[data-takes]")
    form.get_by_label("What is played").select_option(index=1)
    form.get_by_label("From").fill("0:02")
    page.evaluate("document.querySelector('video').currentTime = 20")
    comes_true(page, "document.querySelector('video').currentTime === 20")
    walk.tap(walk.button("It ends here"))
    expect(form.get_by_label("To")).to_have_value("0:20.0")
    walk.tap(walk.button("Set the take"))
    expect(page.locator("#takes")).to_contain_text("0:02.0 to 0:20.0")
    walk.look("Clip of the lesson")


def judge(walk: Walk) -> None:
    """Do the next thing until the lesson is closed; the order of things is held to in passing."""
    page = walk.page
    walk.go(walk.link("Judge the lesson"))
    walk.look(re.compile("^Judge the week of"))
    walk.go(walk.link(re.compile("^Go on")))
    order: list[str] = []
    for _ in range(40):
        step = re.sub(r"[0-9a-f-]{36}", "", page.url.split("://", 1)[1].split("/", 1)[1])
        order.append(step)
        if "looks/" in step:
            take_a_look(walk, is_first=len(order) == 1)
        elif step.endswith("/skills/"):
            walk.look(re.compile("what it shows"))
            for group in page.locator("form fieldset").all():
                walk.tap(group.get_by_text("yes", exact=True))
            walk.go(walk.button("Write this down"))
        elif step.endswith("/verdict/"):
            decide(walk, is_filmed="assignments//skills/" in order[-2])
        elif step.endswith("/last/"):
            break
        else:
            pytest.fail(f"Judging led astray: {order}")
    walk.look("One thing for the coming week")
    assert [step for step in order if "looks/" in step], order
    walk.tap(page.locator(".levels label").first)
    walk.write(page.get_by_label("In your own words"), "Let the thumb arrive lightly.")
    walk.tap(walk.button("Close the lesson"))
    walk.look("The lesson is closed")
    expect(page.locator(".onething")).to_contain_text("Let the thumb arrive lightly.")
    expect(page.get_by_text("Nothing to mark here.")).to_be_visible()
    assert_plays(page, "audio")


def take_a_look(walk: Walk, *, is_first: bool) -> None:
    page = walk.page
    walk.look(re.compile("mark it"))
    assert page.locator("form input[name=level]:checked").count() == 0
    is_for_the_eye = page.locator("main video").count() == 1
    assert_plays(page, "video" if is_for_the_eye else "audio")
    if is_first:
        walk.tap(page.get_by_text("Note something at a moment"))
        walk.tap(walk.button("At this moment"))
        expect(page.get_by_label("At", exact=True)).to_have_value(re.compile(r"0:0[2-9]\.\d"))
        walk.write(page.get_by_label("What you noticed"), "the thumb bumps")
        page.locator("label").filter(has_text="mostly there").tap()
        walk.tap(walk.button("Pin the note"))
        expect(page.locator("#moments li")).to_contain_text("the thumb bumps")
        assert page.locator("form input[name=level]:checked").count() == 1, (
            "Pinning a note kept the mark that was chosen."
        )
    walk.tap(page.locator("label").filter(has_text="mostly there"))
    walk.tap(walk.button("Write down my mark"))
    walk.look(re.compile("your mark"))
    expect(page.locator(".ring").first).to_have_text("mostly there")
    walk.go(walk.link(re.compile("^Next:")))


def decide(walk: Walk, *, is_filmed: bool) -> None:
    page = walk.page
    walk.look(re.compile("what next"))
    walk.tap(page.get_by_text("another week", exact=True).first)
    if is_filmed:
        walk.write(page.get_by_label("What to change"), "Let the thumb arrive lightly.")
        page.get_by_label("What it is about").select_option(index=1)
    walk.go(walk.button("Decide"))


def see_the_way(walk: Walk) -> None:
    page = walk.page
    walk.tap(walk.link("Pieces"))
    walk.look(re.compile("ieces"))
    walk.tap(walk.link(re.compile("Add a piece|Add a dream")))
    walk.look("Add a piece")
    walk.write(page.get_by_label("Title"), "The Night Ferry")
    walk.tap(page.get_by_text("This is a piece I dream of"))
    walk.tap(walk.button("Save and go on"))
    walk.look("What The Night Ferry needs")
    walk.tap(page.get_by_text("much harder", exact=True))
    walk.tap(walk.button("Propose skills"))
    expect(page.get_by_text("Proposed, not kept yet")).to_be_visible()
    walk.tap(walk.button("Keep what it needs"))
    walk.look("The Night Ferry")
    walk.tap(walk.link("Way"))
    walk.look("The way to The Night Ferry")
    blockers = page.locator("main ol.entries > li")
    assert blockers.count() > 3
    text = page.locator("main").inner_text()
    assert "held" in text
    assert "In the order in which they can be learnt" in text
    assert "No book of yours teaches this" in text
