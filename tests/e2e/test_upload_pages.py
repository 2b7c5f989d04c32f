"""Sending clips from a phone's browser: what breaks off goes on, and whoever sends is told in words how it stands."""

import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Dialog, Page, Route, expect

from lessons.models import Clip, Lesson, Upload
from lessons.views import uploads as views
from tests.make import make_assignment, make_learner, make_lesson, make_upload
from tests.waiting import wait_for

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

MB = 1_000_000
FILM = random.Random(11).randbytes(3 * MB)
RESOURCE = re.compile(r"/uploads/[0-9a-f-]{36}/$")


@pytest.fixture(autouse=True)
def _house(settings, tmp_path, monkeypatch):
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    monkeypatch.setattr(views, "ring", lambda job_id: None)


@pytest.fixture
def lesson() -> Lesson:
    lesson = make_lesson(make_learner("ida"))
    make_assignment(lesson, title="Five notes")
    return lesson


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "IMG_4711.MOV"
    path.write_bytes(FILM)
    return path


@pytest.fixture
def page(phone: Page, live_server, lesson: Lesson) -> Iterator[Page]:
    """The film page of somebody who is signed in."""
    sign_in(phone, live_server.url, lesson)
    phone.goto(f"{live_server.url}{reverse('lessons:film')}")
    yield phone
    phone.unroute_all(behavior="ignoreErrors")


def sign_in(page: Page, base: str, lesson: Lesson) -> None:
    client = Client()
    client.force_login(lesson.learner)
    name = django_settings.SESSION_COOKIE_NAME
    page.context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": base}])


def fill_in(page: Page, film: Path) -> None:
    page.get_by_label("The clip", exact=True).set_input_files(film)
    page.get_by_text("The whole lesson in one clip").tap()
    page.get_by_text("yes, the first").tap()


def send(page: Page, film: Path) -> None:
    fill_in(page, film)
    page.get_by_role("button", name="Send the clip").tap()


def patches(page: Page, act: Callable[[Route, int], None]) -> list[Route]:
    """Let `act` deal with every slice, told which one it is; return them as they come."""
    seen: list[Route] = []

    def meet(route: Route) -> None:
        if route.request.method != "PATCH":
            route.fallback()
            return
        seen.append(route)
        act(route, len(seen))

    page.route(RESOURCE, meet)
    return seen


def first_alone(route: Route, number: int) -> None:
    route.fallback() if number == 1 else route.abort()


def assert_is_usable(page: Page) -> None:
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def assert_clip_is_here(page: Page, content: bytes = FILM) -> None:
    page.wait_for_url("**/clips/*/")
    clip = Clip.objects.get()
    assert clip.original_path.read_bytes() == content
    assert str(clip.pk) in page.url


def test_clip_is_sent_in_slices_with_their_sums(page: Page, film: Path) -> None:
    seen = patches(page, lambda route, _: route.fallback())
    send(page, film)
    assert_clip_is_here(page)
    assert len(seen) >= 2
    assert all(route.request.headers["upload-checksum"].startswith("sha256 ") for route in seen)
    sizes = [len(route.request.post_data_buffer) for route in seen]
    assert sum(sizes) == len(FILM)
    assert max(sizes) <= 8 * MB
    clip = Clip.objects.get()
    assert (clip.assignment, clip.was_first_today, clip.given_name) == (None, True, "IMG_4711.MOV")


def test_plain_http_sends_without_sums(page: Page, film: Path) -> None:
    page.add_init_script("Object.defineProperty(Crypto.prototype, 'subtle', {value: undefined})")
    page.reload()
    seen = patches(page, lambda route, _: route.fallback())
    send(page, film)
    assert_clip_is_here(page)
    assert seen
    assert not any("upload-checksum" in route.request.headers for route in seen)


def test_page_loaded_anew_in_the_middle_goes_on_with_the_same_file(page: Page, film: Path) -> None:
    asked: list[str] = []

    def leave(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.accept()

    page.on("dialog", leave)
    patches(page, first_alone)
    send(page, film)
    expect(page.get_by_text("No connection.").first).to_be_visible()
    assert_is_usable(page)
    page.reload()
    page.unroute(RESOURCE)  # only now: the page that is left would try again at once
    assert asked == ["beforeunload"]

    entry = page.locator("[data-unfinished]")
    expect(entry).to_contain_text("IMG_4711.MOV")
    expect(entry).to_contain_text("1 MB of 3 MB arrived.")
    assert_is_usable(page)
    arrived = Upload.objects.get().offset_bytes
    seen = patches(page, lambda route, _: route.fallback())
    entry.get_by_label("Choose the file again").set_input_files(film)
    assert_clip_is_here(page)
    assert seen[0].request.headers["upload-offset"] == str(arrived)
    page.goto(page.url.split("/clips/")[0] + reverse("lessons:clip-uploads"))
    expect(page.get_by_text("Nothing is on its way")).to_be_visible()
    assert len(asked) == 1, "Nobody is asked once nothing is being sent."


@pytest.mark.parametrize("other", [FILM[: 2 * MB], bytes(3 * MB)], ids=["shorter", "as long"])
def test_another_file_is_sent_from_the_start_if_that_is_wished(
    page: Page, lesson: Lesson, film: Path, tmp_path: Path, other: bytes
) -> None:
    upload = make_upload(lesson, arrived=FILM[:MB], size_bytes=len(FILM), was_first_today=True)
    page.goto(page.url.replace("/film/", "/uploads/"))
    path = tmp_path / "packed anew.mov"
    path.write_bytes(other)
    chooser = page.get_by_label("Choose the file again")
    chooser.set_input_files(path)
    wrong = page.locator("[data-sending-wrong]")
    expect(wrong).to_contain_text("This is not the file that was being sent, or the phone has packed it anew.")
    expect(wrong).to_be_focused()
    assert_is_usable(page)
    assert Upload.objects.get(pk=upload.pk).offset_bytes == MB
    page.get_by_role("button", name="Send this one from the start").tap()
    assert_clip_is_here(page, other)
    assert not Upload.objects.filter(pk=upload.pk).exists()
    clip = Clip.objects.get()
    assert (clip.given_name, clip.was_first_today, clip.played_on) == (path.name, True, upload.played_on)


def test_sending_goes_on_by_itself_once_the_line_is_back(page: Page, film: Path) -> None:
    def after_the_first(route: Route, number: int) -> None:
        if number == 2:
            page.context.set_offline(True)
            route.abort()
        else:
            route.fallback()

    patches(page, after_the_first)
    send(page, film)
    expect(page.get_by_text("No connection.").first).to_be_visible()
    expect(page.get_by_text("arrived and kept").first).to_be_visible()
    page.context.set_offline(False)
    assert_clip_is_here(page)


def test_sending_goes_on_at_once_when_the_phone_is_in_the_hand_again(page: Page, film: Path) -> None:
    # No waiting ends by itself here: a phone whose screen is locked stops the clocks of its pages.
    page.add_init_script("const later = setTimeout; setTimeout = (act, ms) => (ms >= 1000 ? 0 : later(act, ms));")
    page.reload()
    patches(page, lambda route, number: route.abort() if number == 2 else route.fallback())
    send(page, film)
    expect(page.get_by_text("No connection.").first).to_be_visible(timeout=20_000)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    assert_clip_is_here(page)


def test_sending_can_be_stopped_and_gone_on_with_and_given_up(page: Page, film: Path) -> None:
    held: list[Route] = []

    def hold_the_second(route: Route, number: int) -> None:
        held.append(route) if number in {2, 3} else route.fallback()

    patches(page, hold_the_second)
    send(page, film)
    wait_for(lambda: page.evaluate("1") and len(held) == 1, within_s=20, what="the second slice is under way")
    page.get_by_role("button", name="Stop for now").tap()
    expect(page.locator("[data-sending-words]")).to_have_text("Stopped")
    expect(page.get_by_text("arrived and kept").first).to_be_visible()
    assert_is_usable(page)
    page.get_by_role("button", name="Go on").tap()
    wait_for(lambda: page.evaluate("1") and len(held) == 2, within_s=20, what="it goes on")
    page.get_by_role("button", name="Stop for now").tap()
    page.get_by_role("button", name="Give it up").tap()
    expect(page.get_by_role("button", name="Send the clip")).to_be_visible()
    assert not Upload.objects.exists()
    assert not Clip.objects.exists()


def test_mistake_in_the_form_is_told_and_nothing_is_lost(page: Page, film: Path) -> None:
    page.get_by_label("The clip", exact=True).set_input_files(film)
    page.get_by_text("The whole lesson in one clip").tap()
    page.get_by_role("button", name="Send the clip").tap()
    expect(page.locator("[data-sending-wrong]")).to_contain_text("Say whether you had played it before on that day.")
    assert_is_usable(page)
    page.get_by_text("no, played before").tap()
    page.get_by_role("button", name="Send the clip").tap()
    assert_clip_is_here(page)


def test_page_thrown_away_while_the_camera_was_open_still_knows_what_was_said(page: Page, film: Path) -> None:
    film_page = page.url
    page.get_by_text("The whole lesson in one clip").tap()
    page.get_by_text("no, played before").tap()
    page.goto("about:blank")  # and back, but not by the browser's own memory of forms
    page.goto(film_page)
    expect(page.get_by_label("The whole lesson in one clip")).to_be_checked()
    expect(page.get_by_label("no, played before")).to_be_checked()
    page.get_by_label("The clip", exact=True).set_input_files(film)
    page.get_by_role("button", name="Send the clip").tap()
    assert_clip_is_here(page)
    page.goto(film_page)
    expect(page.get_by_label("no, played before")).not_to_be_checked()


def test_without_a_file_the_plain_form_answers(page: Page) -> None:
    page.get_by_role("button", name="Send the clip").tap()
    expect(page.get_by_text("Choose the clip first.")).to_be_visible()


def test_file_that_can_no_longer_be_read_is_told_from_a_line_that_broke(page: Page, film: Path) -> None:
    def change_it(route: Route, number: int) -> None:
        if number == 1:
            film.write_bytes(FILM[: 2 * MB])
        route.fallback()

    patches(page, change_it)
    send(page, film)
    wrong = page.locator("[data-sending-wrong]")
    expect(wrong).to_contain_text("Save it to the phone itself, then choose it again. What arrived is kept.")
    page.get_by_role("link", name="See what is here").tap()
    expect(page.locator("[data-unfinished]")).to_contain_text("1 MB of 3 MB arrived.")


def test_who_was_signed_out_signs_in_elsewhere_and_goes_on(page: Page, live_server, lesson: Lesson, film: Path) -> None:
    def sign_out(route: Route, number: int) -> None:
        if number == 2:
            page.context.clear_cookies()
            route.abort()
        else:
            route.fallback()

    patches(page, sign_out)
    send(page, film)
    expect(page.locator("[data-sending-wrong]")).to_contain_text("You have been signed out.")
    assert_is_usable(page)
    sign_in(page, live_server.url, lesson)
    page.get_by_role("button", name="Go on").tap()
    assert_clip_is_here(page)


def test_server_in_front_that_refuses_large_slices_gets_small_ones(page: Page, film: Path) -> None:
    def refuse_large(route: Route, _: int) -> None:
        if len(route.request.post_data_buffer) > 300_000:
            route.fulfill(status=413, content_type="text/html", body="<h1>413 Request Entity Too Large</h1>")
        else:
            route.fallback()

    seen = patches(page, refuse_large)
    send(page, film)
    assert_clip_is_here(page)
    assert len(seen) > 10


def test_full_disk_is_told_and_what_arrived_is_kept(page: Page, lesson: Lesson, film: Path) -> None:
    def fill_up(route: Route, number: int) -> None:
        if number == 2:
            route.fulfill(
                status=507,
                content_type="text/plain; charset=utf-8",
                headers={"Tus-Resumable": "1.0.0"},
                body="The disk is full. What arrived is kept; delete old clips, then go on.",
            )
        else:
            route.fallback()

    patches(page, fill_up)
    send(page, film)
    expect(page.locator("[data-sending-wrong]")).to_contain_text("The disk is full. What arrived is kept")
    page.get_by_role("button", name="Go on").tap()
    assert_clip_is_here(page)


def test_clip_that_is_here_already_leads_to_it(page: Page, film: Path) -> None:
    film_page = page.url
    send(page, film)
    assert_clip_is_here(page)
    place = page.url
    page.goto(film_page)
    send(page, film)
    expect(page.get_by_text("This clip is here already. It was not stored twice.")).to_be_visible()
    page.get_by_role("link", name="See what is here").tap()
    page.wait_for_url(place)


def test_recording_goes_up_while_it_is_made(page: Page, lesson: Lesson) -> None:
    begin = reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk})
    page.evaluate(
        """([url, metadata]) => {
             window.states = [];
             window.recording = KeyslipUpload.openRecording({url, metadata, onState: (state) => states.push(state)});
             recording.push(new Blob([new Uint8Array(300000).fill(1)]));
           }""",
        [
            begin,
            {
                "filename": "recording.webm",
                "assignment": "whole",
                "was_first_today": "no",
                "played_on": str(lesson.learner.today()),
            },
        ],
    )
    upload = wait_for(
        lambda: page.evaluate("1") and Upload.objects.filter(offset_bytes=300_000).first(),
        within_s=20,
        what="what was recorded so far is there",
    )
    assert upload.is_recording
    # The line breaks in the middle; what is recorded meanwhile waits in the page.
    page.context.set_offline(True)
    page.evaluate("recording.push(new Blob([new Uint8Array(200000).fill(2)]))")
    wait_for(
        lambda: page.evaluate("states.some((state) => state.phase === 'waiting' && state.text)"),
        within_s=20,
        what="it waits for the line",
    )
    page.context.set_offline(False)
    place = page.evaluate(
        "(recording.push(new Blob([new Uint8Array(100).fill(3)])), recording.finish())",
    )
    clip = Clip.objects.get()
    assert place == reverse("lessons:clip", kwargs={"pk": clip.pk})
    assert clip.original_path.read_bytes() == b"\1" * 300_000 + b"\2" * 200_000 + b"\3" * 100


def test_recording_that_broke_off_is_kept_by_a_button(page: Page, lesson: Lesson) -> None:
    make_upload(lesson, arrived=FILM[:MB], size_bytes=None)
    page.goto(page.url.replace("/film/", "/uploads/"))
    assert_is_usable(page)
    page.get_by_role("button", name="Keep what arrived").tap()
    assert_clip_is_here(page, FILM[:MB])


def test_unfinished_uploads_look_right_on_a_desk_at_night(desktop: Page, live_server, lesson: Lesson) -> None:
    make_upload(lesson, arrived=FILM[:MB], size_bytes=len(FILM))
    make_upload(lesson, arrived=FILM[:5000], size_bytes=None)
    sign_in(desktop, live_server.url, lesson)
    desktop.emulate_media(color_scheme="dark")
    for name in ("lessons:film", "lessons:clip-uploads"):
        desktop.goto(f"{live_server.url}{reverse(name)}")
        assert_is_usable(desktop)
