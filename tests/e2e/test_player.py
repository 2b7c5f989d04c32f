"""Moving through a clip in a real browser: one picture at a time, by the outline of the sound, by small pictures."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from django.core.files import File
from django.test import Client
from playwright.sync_api import Page, expect

from lessons import services
from lessons.media.clock import write_clock
from lessons.models import Clip
from tests.make import make_assignment, make_learner, make_lesson

pytestmark = [pytest.mark.e2e, pytest.mark.django_db(transaction=True)]

# Ninety-thousandths of a second at which the pictures of this film are shown: as uneven as a phone in the dark makes them, and
# on no round number.
TICKS = [0, 2999, 6007, 16201, 19171, 22147, 45013, 48017, 50929, 81013, 117019, 119983, 122941, 162011, 189017]
TICK_S = Fraction(1, 90_000)

# What the browser says about the picture on its screen once a seek has brought one.
SHOWN = """
(video) => new Promise((done, fail) => {
  const late = setTimeout(() => fail(new Error('no picture came')), 15000);
  const look = () => {
    clearTimeout(late);
    const canvas = document.createElement('canvas');
    canvas.width = canvas.height = 1;
    const pen = canvas.getContext('2d');
    pen.drawImage(video, 0, 0, 1, 1);
    done(pen.getImageData(0, 0, 1, 1).data[0]);
  };
  if (video.seeking) video.addEventListener('seeked', () => requestAnimationFrame(look), { once: true });
  else requestAnimationFrame(look);
})
"""


def grey_of(number: int) -> int:
    return 30 + number * 13


def write_uneven_film(path: Path) -> Path:
    """Write a film whose pictures come unevenly, each of its own grey, with a hum."""
    with av.open(str(path), "w", format="mp4") as container:
        video = container.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "18"})
        video.width, video.height, video.pix_fmt = 160, 96, "yuv420p"
        video.time_base = video.codec_context.time_base = TICK_S
        audio = container.add_stream("aac", rate=48_000, layout="mono")
        for number, at_ticks in enumerate(TICKS):
            frame = av.VideoFrame.from_ndarray(np.full((96, 160, 3), grey_of(number), np.uint8), format="rgb24")
            frame.pts, frame.time_base = at_ticks, TICK_S
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        hum = (0.3 * np.sin(np.arange(48_000 * 5 // 2) * 2 * np.pi * 220 / 48_000)).astype(np.float32)
        for start in range(0, len(hum), 1024):
            sound = av.AudioFrame.from_ndarray(hum[np.newaxis, start : start + 1024], format="fltp", layout="mono")
            sound.sample_rate, sound.pts, sound.time_base = 48_000, start, Fraction(1, 48_000)
            container.mux(audio.encode(sound))
        container.mux(audio.encode(None))
    return path


@pytest.fixture
def clip(live_server, client: Client, settings, tmp_path: Path) -> Clip:
    settings.KEYSLIP_DATA = tmp_path
    lesson = make_lesson(make_learner())
    row = make_assignment(lesson, dimensions=["posture", "notes"])
    with write_uneven_film(tmp_path / "film.mp4").open("rb") as file:
        clip, job = services.record_clip(
            lesson, upload=File(file, name="film.mp4"), played_on=lesson.starts_on, assignment=row
        )
    services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_frames, clip.has_peaks) == (Clip.State.READY, True, True)
    return clip


def opened(page: Page, live_server, client: Client, settings, path: str, *, learner) -> Page:
    client.force_login(learner)
    value = client.cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": value, "url": live_server.url}])
    page.goto(live_server.url + path)
    page.locator("video").evaluate(
        "(video) => video.readyState >= 2 ? null : new Promise((done) => { video.oncanplay = done; video.load(); })"
    )
    return page


def test_every_picture_of_an_uneven_film_is_met_once_going_on_and_once_going_back(
    phone: Page, live_server, client, settings, clip
):
    """Stepping by one over the rate skips or repeats: https://github.com/HumanSignal/label-studio/pull/7027."""
    page = opened(phone, live_server, client, settings, f"/clips/{clip.pk}/", learner=clip.lesson.learner)
    video, words = page.locator("video"), page.locator("[data-step-words]")
    count = len(TICKS)
    seen = []
    for number in range(1, count):
        page.get_by_role("button", name="One picture on").click()
        expect(words).to_contain_text(f"Picture {number + 1} of {count}")
        seen.append(video.evaluate(SHOWN))
    assert seen == pytest.approx([grey_of(number) for number in range(1, count)], abs=5)
    page.get_by_role("button", name="One picture on").click()
    expect(words).to_contain_text(f"Picture {count} of {count}, at 0:02.10")
    for number in reversed(range(count - 1)):
        page.get_by_role("button", name="One picture back").click()
        expect(words).to_contain_text(f"Picture {number + 1} of {count}")
        assert video.evaluate(SHOWN) == pytest.approx(grey_of(number), abs=5)


def test_outline_is_a_slider_for_keys_and_small_pictures_lead_to_their_moment(
    desktop: Page, live_server, client, settings, clip
):
    page = opened(desktop, live_server, client, settings, f"/clips/{clip.pk}/", learner=clip.lesson.learner)
    slider, video = page.get_by_role("slider", name="Place in the clip"), page.locator("video")
    expect(slider).to_have_attribute("aria-valuetext", f"0:00.0 of {write_clock(clip.duration_s)}")
    slider.press("End")
    assert video.evaluate("(video) => video.currentTime") == pytest.approx(clip.duration_s, abs=0.06)
    slider.press("Home")
    expect(slider).to_have_attribute("aria-valuetext", f"0:00.0 of {write_clock(clip.duration_s)}")
    small = page.locator("[data-seek-to]").last
    wanted_s = float(small.get_attribute("data-seek-to"))
    small.click()
    assert video.evaluate("(video) => video.currentTime") == pytest.approx(wanted_s, abs=0.001)
    assert "?at=" not in page.url


def test_step_while_judging_by_eye_stays_within_the_take(phone: Page, live_server, client, settings, clip):
    take = clip.takes.get()
    services.move_take(take, start_s=0.51, end_s=0.95)
    path = f"/takes/{take.pk}/looks/posture/"
    page = opened(phone, live_server, client, settings, path, learner=clip.lesson.learner)
    words = page.locator("[data-step-words]")
    page.get_by_role("button", name="One picture back").click()
    expect(words).to_contain_text("Picture 7 of 15")
    for _ in range(5):
        page.get_by_role("button", name="One picture on").click()
    expect(words).to_contain_text("Picture 10 of 15")
