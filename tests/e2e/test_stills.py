"""A still taken at the picture on the screen, in a browser that plays the copy."""

from pathlib import Path

import pytest
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page

from lessons import media
from lessons.models import Still
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take
from tests.tools.phone_clip import FPS, make_phone_clip

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]


def test_still_is_of_the_picture_that_stands_on_the_screen(
    desktop: Page, live_server, settings, tmp_path: Path
) -> None:
    settings.KEYSLIP_DATA = tmp_path
    film = make_phone_clip(tmp_path / "lesson.mov", seconds=3)
    learner = make_learner()
    lesson = make_lesson(learner)
    row = make_assignment(lesson, dimensions=["hand-shape"])
    clip = make_clip(lesson, content=film.read_bytes(), duration_s=3.0)
    clip.copy_path.unlink()
    media.make_copy(clip.original_path, clip.copy_path, probe=media.probe(clip.original_path))
    take = make_take(row, clip=clip, end_s=3.0)
    client = Client()
    client.force_login(learner)
    name = django_settings.SESSION_COOKIE_NAME
    desktop.context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])

    for number, address in enumerate(
        [reverse("lessons:take-stills", args=[take.pk]), reverse("reviews:look", args=[take.pk, "hand-shape"])]
    ):
        frame = 40 + 13 * number
        desktop.goto(live_server.url + address)
        # Late within the frame's time, where rounding would lead to the next one.
        desktop.evaluate(
            """at => new Promise((done) => {
              const video = document.querySelector("video");
              video.addEventListener("seeked", () => setTimeout(done, 300), {once: true});
              const seek = () => { video.currentTime = at; };
              if (video.readyState) seek(); else video.addEventListener("loadedmetadata", seek, {once: true});
            })""",
            (frame + 0.9) / FPS,
        )
        with desktop.expect_navigation():
            desktop.get_by_role("button", name="Take a still here").click()
        assert Still.objects.get(at_s__gt=(frame - 1) / FPS + 0.01).at_s == pytest.approx(frame / FPS, abs=1e-3)
    assert desktop.url.endswith("#look-stills")
    desktop.get_by_text("Type the moment of a still").click()
    desktop.get_by_label("The moment").fill("0:00.5")
    with desktop.expect_navigation():
        desktop.get_by_label("The moment").press("Enter")
    assert Still.objects.filter(at_s__range=(0.49, 0.51)).count() == 1
    assert desktop.get_by_role("link", name="Still at 0:01.77").is_visible()
