"""Every page and every state, on a phone in daylight and on a desk at night: it answers, it fits, and anybody can use it."""

import re
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from urllib.parse import urldefrag, urljoin, urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Browser, BrowserContext, Page, Response

from curriculum import services as curriculum
from curriculum.models import Learner, Skill
from keyslip.first_account import first_account_path
from keyslip.sample.story import load_sample
from lessons.models import Assignment, Clip, Job
from tests.make import (
    make_answer,
    make_assignment,
    make_book,
    make_clip,
    make_lesson,
    make_mark,
    make_picture,
    make_piece,
    make_still,
    make_take,
    make_unit,
)

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
# An A4 page less the margins of the print style sheet (14 mm at each side), in CSS pixels.
PAPER = {"width": 688, "height": 1040}
# What is read by programs, or is looked at by the test of films.
NO_PAGE = re.compile(r"/(copy|original|poster|large|small)/|\.(csv|json|svg|crt|musicxml)$")
# Addresses of one pattern are pages of one kind; two of each show what depends on what is in them.
PATTERN = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}")
MOST_OF_A_KIND = 2
# Names of the places of the running head and of the colophon.
STARTS = ["lessons:week", "lessons:film", "reviews:judge", "curriculum:book-list", "curriculum:way"]
# The script of the judge of accessibility, put into each page.
AXE = Axe().axe_script


@dataclass
class Look:
    """A browser that holds every page it comes to against the rules, and keeps what it finds for one telling."""

    page: Page
    base: str
    faults: list[str] = field(default_factory=list)
    seen: dict[str, int] = field(default_factory=dict)
    refusals_in_the_dark: int = 0

    def __post_init__(self) -> None:
        self.page.on("pageerror", lambda error: self.fault(f"script: {error}"))
        self.page.on(
            "console", lambda message: self.fault(f"console: {message.text}") if self._is_bad(message) else None
        )

    @staticmethod
    def _is_bad(message: object) -> bool:
        # That a page answered 404 or 422 is what some of these tests ask for.
        return message.type in {"error", "warning"} and "the server responded with a status of" not in message.text

    def fault(self, what: str) -> None:
        self.faults.append(f"{urlsplit(self.page.url).path}: {what}")

    def open(self, address: str, *, status: int = 200, is_known: bool = False) -> None:
        """Go to an address and look at what is there."""
        self.page.emulate_media(color_scheme="light")
        self.page.set_viewport_size(PHONE)
        self.look(self.page.goto(urljoin(self.base, address)), status=status, is_known=is_known)

    def look(self, response: Response | None, *, status: int = 200, is_known: bool = False) -> None:
        """Look at the page that stands in the browser, which `response` brought. What takes long is left out where a page
        of the same kind in the same state is known."""
        if response is None or response.status != status:
            self.fault(f"answered {response and response.status} instead of {status}")
            return
        kind = PATTERN.sub("*", urlsplit(self.page.url).path)
        self.seen[kind] = self.seen.get(kind, 0) + 1
        if self.page.locator("h1").count() != 1:
            self.fault(f"{self.page.locator('h1').count()} first headings")
        if not re.fullmatch(r"\S.* – Keyslip", self.page.title()):
            self.fault(f"is called “{self.page.title()}”")
        self._fits("phone")
        if not is_known:
            self._is_usable("phone")
        self.page.set_viewport_size(DESK)
        self.page.emulate_media(color_scheme="dark")
        self._fits("desk")
        # In the dark, and with two columns, it is the colours that differ; those of a refusal are the same everywhere.
        if not is_known and not (status == 422 and self.refusals_in_the_dark):
            self.refusals_in_the_dark += status == 422
            self._is_usable("desk", only=["color-contrast"])

    def _fits(self, where: str) -> None:
        wide = self.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if wide > 0:
            self.fault(f"{wide} pixels too wide on the {where}")

    def _is_usable(self, where: str, *, only: list[str] | None = None) -> None:
        options: dict[str, object] = {"resultTypes": ["violations"]}
        if only:
            options["runOnly"] = only
        if where == "phone":
            self.page.evaluate(AXE)
        for found in self.page.evaluate("options => axe.run(options)", options)["violations"]:
            places = [node["target"] for node in found["nodes"]][:3]
            self.fault(f"{found['id']} on the {where} at {places}")

    def links(self) -> list[str]:
        """Return the addresses that this page leads to, within Keyslip."""
        found = self.page.eval_on_selector_all("a[href]", "links => links.map(link => link.href)")
        return [urldefrag(address).url.removeprefix(self.base) for address in found if address.startswith(self.base)]

    def walk(self, starts: Iterable[str]) -> None:
        """Look at every page that can be reached by links, but at no more than two of a kind."""
        queue, known = list(starts), set()
        while queue:
            address = queue.pop(0)
            kind = PATTERN.sub("*", address.partition("?")[0])
            if address in known or NO_PAGE.search(kind) or self.seen.get(kind, 0) >= MOST_OF_A_KIND:
                continue
            known.add(address)
            self.open(address, is_known=kind in self.seen)
            queue += self.links()

    def send(self, form: str, **fields: str) -> None:
        """Send a form of this page as it stands but for `fields`, and look at the refusal. A name with an empty value
        is emptied or unticked wherever it stands; one that the form has not is added, as a button would."""
        self.page.emulate_media(color_scheme="light")
        self.page.set_viewport_size(PHONE)
        with self.page.expect_navigation() as sent:
            self.page.evaluate(SEND, [form, fields])
        self.look(sent.value, status=422)

    def done(self) -> None:
        assert not self.faults, "\n".join(self.faults)


SEND = """([which, fields]) => {
  const form = document.querySelector(which);
  for (const [name, value] of Object.entries(fields)) {
    const inputs = [...form.elements].filter((input) => input.name === name && input.type !== "submit");
    for (const input of inputs) {
      if (input.type === "radio" || input.type === "checkbox") input.checked = false;
      else input.value = value;
    }
    if (!inputs.length && value) {
      const added = Object.assign(document.createElement("input"), {type: "hidden", name, value});
      form.append(added);
    }
  }
  HTMLFormElement.prototype.submit.call(form);
}"""


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    made = chromium.new_context(viewport=PHONE, locale="en-GB")
    made.set_default_timeout(20_000)  # milliseconds: two busy cores
    yield made
    made.close()


@pytest.fixture
def look(context: BrowserContext, live_server) -> Look:
    return Look(context.new_page(), live_server.url)


def sign_in(context: BrowserContext, learner: Learner, base: str) -> None:
    client = Client()
    client.force_login(learner)
    name = settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": base}])


def new_learner(name: str = "ida") -> Learner:
    learner = curriculum.create_learner(name, password="under the stairs 9")
    learner.set_up_on = learner.today()
    learner.save()
    return learner


def test_pages_of_a_learner_in_the_eighth_week(look: Look, context: BrowserContext) -> None:
    learner = load_sample(today=Learner(time_zone="UTC").today(), tell=lambda _: None)
    sign_in(context, learner, look.base)
    look.walk([reverse(name) for name in STARTS])
    print(f"{sum(look.seen.values())} pages of {len(look.seen)} kinds: {', '.join(sorted(look.seen))}")
    assert len(look.seen) > 40, look.seen
    look.page.set_viewport_size(PAPER)
    look.page.emulate_media(media="print", color_scheme="light")
    for name in ("lessons:week", "curriculum:way"):
        look.page.goto(look.base + reverse(name))
        look._fits("paper")
        assert not look.page.locator(".places").is_visible()
    look.done()


def test_pages_of_a_learner_who_has_nothing_yet(look: Look, context: BrowserContext) -> None:
    sign_in(context, new_learner(), look.base)
    set_up = [reverse(f"curriculum:set-up-{step}") for step in ("week", "book")]
    look.walk([reverse(name) for name in STARTS] + [reverse("curriculum:piece-list"), *set_up])
    assert len(look.seen) > 15, look.seen
    look.done()


def test_pages_for_somebody_who_is_not_signed_in(look: Look, context: BrowserContext) -> None:
    door = first_account_path(settings.KEYSLIP_DATA)
    assert door
    look.open(door)
    look.send("main form", password="short")
    for name in ("login", "phone", "care"):
        look.open(reverse(name))
    look.open(f"/begin/{uuid.uuid4()}/", status=404)
    look.open(reverse("login"))
    context.clear_cookies()
    with look.page.expect_navigation() as sent:
        look.page.evaluate("document.querySelector('main form').submit()")
    look.look(sent.value, status=403)
    look.done()


def test_state_of_every_clip(look: Look, context: BrowserContext) -> None:
    learner = new_learner()
    sign_in(context, learner, look.base)
    lesson = make_lesson(learner)
    row = make_assignment(lesson, dimensions=["evenness", "hand-shape"])
    waiting = make_clip(lesson, state=Clip.State.RECEIVED)
    Job.objects.create(clip=waiting, kind=Job.Kind.PREPARE_CLIP)
    under_way = make_clip(lesson, state=Clip.State.PREPARING, assignment=row)
    step = {"step": "Making a copy that plays in the browser", "progress_frac": 0.4, "attempt": 2}
    Job.objects.create(clip=under_way, kind=Job.Kind.PREPARE_CLIP, state=Job.State.RUNNING, **step)
    refused = make_clip(lesson, state=Clip.State.REFUSED, text="There is neither sound nor picture in it.")
    failed = make_clip(lesson, state=Clip.State.FAILED, text="It took too long. The file itself is kept.")
    midi = make_clip(lesson, kind=Clip.Kind.MIDI)
    make_take(row, clip=midi)
    look_at = make_take(row, clip=make_clip(lesson, has_copy=True), is_judged=False)
    silent = make_clip(lesson, text="There is no sound on it, so only what is for the eye can be judged.")
    for clip in (waiting, under_way, refused, failed, midi, silent):
        look.open(reverse("lessons:clip", args=[clip.pk]))
    for dimension in row.dimensions:
        look.open(reverse("reviews:look", args=[midi.takes.get().pk, dimension]))
    look.open(reverse("lessons:film"))
    look.open(reverse("reviews:judge"))
    for take in (midi.takes.get(), look_at):
        look.open(reverse("lessons:take-stills", args=[take.pk]))
    beside = reverse("reviews:side-by-side", args=[row.pk])
    look.open(beside)
    make_still(look_at, height_px=240)
    look.open(beside)
    make_picture(learner, skill=Skill.objects.get(learner=learner, slug="hand-arch"), view="front")
    look.open(beside)
    look.done()


def test_states_that_no_link_leads_to(look: Look, context: BrowserContext) -> None:
    learner = new_learner()
    sign_in(context, learner, look.base)
    skills = {skill.slug: skill for skill in Skill.objects.filter(learner=learner)}
    book = make_book(learner, "The Lamplit Keys")
    first = make_unit(book, "The lantern", teaches=[skills["five-finger-place"]])
    held = make_unit(book, "Under goes the thumb", teaches=[skills["thumb-under"]])
    curriculum.open_unit_anyway(held, reason="A friend plays it.", today=learner.today())
    piece = make_piece(learner, "The Night Ferry", needs=[skills["thumb-under"]], is_dream=True)
    curriculum.open_piece_anyway(piece, reason="For a birthday.", today=learner.today())
    curriculum.mark_not_for_me(skills["legato-pedal"], reason="There is no pedal.")
    old = make_lesson(learner, starts_on=make_lesson(learner).starts_on - timedelta(weeks=1))
    make_assignment(old, unit=first)
    look.open(f"/units/{uuid.uuid4()}/", status=404)
    for address in (
        reverse("curriculum:unit", args=[held.pk]),
        reverse("curriculum:piece", args=[piece.pk]),
        reverse("curriculum:skill", args=[skills["legato-pedal"].pk]),
        reverse("curriculum:skill", args=[skills["rolled-chords"].pk]),
        reverse("lessons:lesson", args=[old.pk]),
        reverse("lessons:week"),
        reverse("care"),
    ):
        look.open(address)
    look.done()


def test_forms_that_are_refused(look: Look, context: BrowserContext) -> None:
    learner = new_learner()
    sign_in(context, learner, look.base)
    skills = {skill.slug: skill for skill in Skill.objects.filter(learner=learner)}
    legato = skills["legato"]
    book = make_book(learner)
    make_unit(book, teaches=[skills["five-finger-place"]])
    unit = make_unit(book, teaches=[legato])
    piece = make_piece(learner, needs=[skills["thumb-under"]])
    lesson = make_lesson(learner)
    row = make_assignment(lesson, unit=unit, dimensions=["evenness"], skills=[legato])
    clip = make_clip(lesson, has_copy=True)
    take = make_take(row, clip=clip)

    def one(
        place: str, thing: object = None, form: str = "main form[method=post]", /, *more: str, **fields: str
    ) -> None:
        look.page.goto(look.base + reverse(place, args=[*([thing.pk] if thing else []), *more]))
        look.send(form, **fields)

    def form_to(name: str, thing: object, *more: str) -> str:
        return f"form[action='{reverse(name, args=[thing.pk, *more])}']"

    one("curriculum:set-up-week", minutes_per_day="999")
    one("curriculum:settings", minutes_per_day="2")
    one("curriculum:book-new", title="", look="1")
    one("curriculum:book-import")
    one("curriculum:book-edit", book, title="")
    one("curriculum:unit-new", book, title="")
    one("curriculum:unit-edit", unit, place="99")
    one("curriculum:unit", unit, form_to("curriculum:unit-move", unit), place="99")
    one("curriculum:unit", unit, form_to("curriculum:unit-open-anyway", unit), reason="")
    one("curriculum:skill-new", name="")
    one("curriculum:skill-edit", legato, name="")
    one("curriculum:skill", legato, form_to("curriculum:skill-by-hand", legato), reason="")
    one("curriculum:skill", legato, form_to("curriculum:skill-not-for-me", legato))
    one("curriculum:piece-new", title="")
    one("curriculum:piece-look", piece, needs="")
    one("curriculum:piece", piece, form_to("curriculum:piece-open-anyway", piece), reason="")
    one("curriculum:score-type", right_text="CDQ|EFGA|", left_text="C,2|", keep="1")
    one("curriculum:score-new")
    one("curriculum:score-pattern-new", kind="")
    one("lessons:line-new", lesson, what="")
    one("lessons:line-edit", row, minutes="900", dimensions="")
    one("lessons:assignment", row, form_to("lessons:try-new", row), bars="the end", was_right="yes")
    one("lessons:film", None, form_to("lessons:clip-upload", lesson), played_on="")
    one("lessons:clip", clip, form_to("lessons:take-new", clip), start_s="now")
    one("lessons:take-edit", take, start_s="0:20", end_s="0:10")
    picture, still = make_picture(learner, unit=unit), make_still(take)
    one("lessons:unit-pictures", unit, view="")
    one("lessons:picture", picture, view="")
    one("lessons:take-stills", take, at_s="then")
    one("lessons:take-still", still, form_to("lessons:take-still", still), view="")
    one("lessons:take-still", still, form_to("lessons:take-still-keep", still), what="")
    one("reviews:look", take, form_to("reviews:look", take, "evenness"), "evenness")
    one("reviews:look", take, form_to("reviews:note-pin", take, "evenness"), "evenness", at_s="then")
    make_mark(take, "evenness", level=1)
    one("reviews:skills", row)
    make_answer(row, legato, "not_yet")
    one("reviews:verdict", row, text="My wrist hurts")
    assert look.page.get_by_role("link", name="Read “If something hurts”").count() == 1
    Assignment.objects.update(verdict=Assignment.Verdict.ANOTHER_WEEK)
    one("reviews:last", lesson, work_on="")
    assert look.page.get_by_text("Choose one thing to work on.").is_visible()
    assert Assignment.objects.count() == 1
    look.done()
