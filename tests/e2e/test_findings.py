"""What was measured, as a learner sees it: on a phone and on a desk, light and dark, with and without scripts."""

import re
import wave
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from curriculum import services as curriculum
from curriculum.score.patterns.spec import Pattern
from lessons.models import Clip
from reviews import compare, services
from reviews.models import Hearing
from reviews.sound.heard import VERSION
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take
from tests.reviews.test_findings_page import DIMENSIONS, hear

pytestmark = [pytest.mark.e2e, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def take(live_server, client: Client, settings, tmp_path: Path):
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    lesson = make_lesson(make_learner())
    client.force_login(lesson.learner)
    row = make_assignment(lesson, title="Five notes", dimensions=DIMENSIONS)
    row.score = curriculum.add_pattern(lesson.learner, pattern=Pattern(kind="five_finger", value="1/2", times=8))
    row.save()
    clip = make_clip(lesson, duration_s=60.0, kind=Clip.Kind.SOUND, content=hum(tmp_path / "hum.wav"), facts={"audio": {"channels": 1}})  # fmt: skip
    take = make_take(row, clip=clip, end_s=60.0)
    hear(take)
    for dimension in DIMENSIONS:
        services.write_mark(take, dimension=dimension, level=3)
    return take


def hum(path: Path) -> bytes:
    """A minute of a low hum, as any browser plays it."""
    sound = (3000 * np.sin(np.arange(60 * 8000) * 2 * np.pi * 110 / 8000)).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(sound.tobytes())
    return path.read_bytes()


def open_page(page: Page, live_server, client: Client, take) -> None:
    cookie = client.cookies[django_settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies([{"name": django_settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}])
    page.goto(live_server.url + reverse("reviews:findings", kwargs={"pk": take.pk}))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_shows_the_narrow_drawings_and_nothing_sticks_out(phone, live_server, client, take, scheme):
    phone.emulate_media(color_scheme=scheme)
    open_page(phone, live_server, client, take)
    expect(phone.locator(".notation-narrow svg").first).to_be_visible()
    expect(phone.locator(".notation-wide")).to_be_hidden()
    expect(phone.locator(".chart-phone svg").first).to_be_visible()
    expect(phone.locator(".chart-page").first).to_be_hidden()
    for summary in phone.locator("details.more > summary").all():
        summary.click()
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390
    assert not Axe().run(phone).response["violations"]


def test_no_text_in_a_chart_is_under_twelve_pixels(phone, desktop, live_server, client, take):
    for page in (phone, desktop):
        open_page(page, live_server, client, take)
        heights = page.evaluate(
            """() => [...document.querySelectorAll(".chart-svg text, .fd-t")].filter(text => text.getClientRects().length).map(text =>
            parseFloat(getComputedStyle(text).fontSize) * Math.abs(text.getScreenCTM().d))"""
        )
        assert heights
        assert min(heights) >= 12


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_desk_shows_the_wide_drawings(desktop, live_server, client, take, scheme):
    desktop.emulate_media(color_scheme=scheme)
    open_page(desktop, live_server, client, take)
    expect(desktop.locator(".notation-wide svg").first).to_be_visible()
    expect(desktop.locator(".chart-page svg").first).to_be_visible()
    assert not Axe().run(desktop).response["violations"]


def test_paper_shows_each_drawing_once_in_ink(desktop, live_server, client, take):
    open_page(desktop, live_server, client, take)
    desktop.emulate_media(media="print")
    expect(desktop.locator(".notation-wide svg").first).to_be_visible()
    expect(desktop.locator(".notation-narrow")).to_be_hidden()
    expect(desktop.locator(".chart-phone").first).to_be_hidden()


def test_a_moment_is_heard_in_the_player_of_the_page(phone, live_server, client, take):
    open_page(phone, live_server, client, take)
    link = phone.locator("a[data-hear]").first
    at_s = float(link.get_attribute("data-hear"))
    link.click()
    phone.wait_for_function("at => document.querySelector('[data-take]').currentTime >= at", arg=at_s)
    assert re.search(r"/findings/$", phone.url)


def test_without_scripts_a_moment_is_a_link_into_the_clip(chromium: Browser, live_server, client, take):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    open_page(page, live_server, client, take)
    assert re.search(r"#t=\d+\.\d\d,\d+\.\d\d$", page.locator("a[data-hear]").first.get_attribute("href"))
    expect(page.get_by_text("The same as a table").first).to_be_visible()
    context.close()


@pytest.fixture
def take_without_score(take):
    row = make_assignment(
        take.assignment.lesson, title="A phrase", dimensions=["rhythm", "evenness", "fluency"], bpm=120
    )
    clip = make_clip(take.assignment.lesson, duration_s=60.0)
    free = make_take(row, clip=clip, end_s=60.0)
    moments = np.concatenate([[0.0], np.cumsum([0.5, 0.5, 1.0, 0.25, 0.25, 0.5] * 8)])
    notes = [[1 + float(at), 60 + place % 5, 0.0, 1.0, None] for place, at in enumerate(moments)]
    Hearing.objects.create(clip=clip, version=VERSION, notes=notes, trust=asdict(compare.Trust()))
    for dimension in row.dimensions:
        services.write_mark(free, dimension=dimension, level=3)
    return free


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_rhythm_is_typed_on_a_phone_refused_with_its_place_and_held_against(
    phone, live_server, client, take_without_score, scheme
):
    phone.emulate_media(color_scheme=scheme)
    open_page(phone, live_server, client, take_without_score)
    phone.get_by_text("Type its rhythm alone").click()
    phone.get_by_label("Its rhythm, once through").fill("2 quarters, haff")
    phone.get_by_role("button", name="Hold it against this rhythm").click()
    expect(phone.get_by_text("“haff”, word 3, is no note value")).to_be_visible()
    assert not Axe().run(phone).response["violations"]
    phone.get_by_label("Its rhythm, once through").fill("2 quarters, half, 2 eighths, quarter")
    phone.get_by_role("button", name="Hold it against this rhythm").click()
    expect(phone.get_by_text("eight times through and one more")).to_be_visible()
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390
    assert not Axe().run(phone).response["violations"]
