"""Recording in the page, in a real browser with a camera and a microphone that are invented by it."""

import shutil
from collections.abc import Iterator

import av
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect

from lessons import services
from lessons.models import Clip, Job, Lesson, Upload
from lessons.views import uploads as views
from tests.conftest import CHROMIUM_FLAGS, PHONE
from tests.make import make_assignment, make_learner, make_lesson
from tests.waiting import wait_for

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

DEVICES = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
# Keeps what the page asks of the browser.
WATCH = """
const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
window.asked = [];
navigator.mediaDevices.getUserMedia = (wishes) => { window.asked.push(wishes); return ask(wishes); };
"""


@pytest.fixture(autouse=True)
def _house(settings, tmp_path, monkeypatch):
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    monkeypatch.setattr(views, "ring", lambda job_id: None)


@pytest.fixture(scope="module")
def filming(playwright: Playwright) -> Iterator[Browser]:
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    browser = playwright.chromium.launch(executable_path=path, args=[*CHROMIUM_FLAGS, *DEVICES])
    yield browser
    browser.close()


@pytest.fixture
def lesson() -> Lesson:
    lesson = make_lesson(make_learner("ida"))
    make_assignment(lesson, title="Five notes", dimensions=["posture", "notes"])
    return lesson


@pytest.fixture
def context(filming: Browser, live_server, lesson: Lesson) -> Iterator[BrowserContext]:
    context = filming.new_context(**PHONE, locale="en-GB", permissions=["camera", "microphone"])
    client = Client()
    client.force_login(lesson.learner)
    name = django_settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])
    context.set_default_timeout(20_000)
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext, live_server, lesson: Lesson) -> Page:
    page = context.new_page()
    page.add_init_script(WATCH)
    # The clip's page asks every second how far it is. All threads of a test share one database without a file, where a
    # question that meets a write is refused instead of waiting, so the test prepares the clip while nobody asks.
    page.route("**/clips/*/", lambda route: route.fulfill(body="The page of the clip."))
    page.goto(f"{live_server.url}{reverse('lessons:film-record', kwargs={'pk': lesson.pk})}")
    return page


def say_what(page: Page) -> None:
    page.get_by_text("A: Five notes").tap()
    page.get_by_text("yes, the first").tap()


def begin(page: Page, *, opening: str = "Open the camera") -> None:
    page.get_by_role("button", name=opening).tap()
    page.get_by_role("button", name="Begin recording").tap()
    expect(page.get_by_role("button", name="Stop, that was it")).to_be_visible()


def play(page: Page, *, at_least_s: int) -> None:
    """Wait until the page's clock is there or past it: a busy machine skips seconds."""

    def told_s() -> int:
        minutes, seconds = page.locator("[data-rec-clock]").inner_text().split(":")
        return 60 * int(minutes) + int(seconds)

    wait_for(lambda: told_s() >= at_least_s, within_s=30, what=f"{at_least_s} s on the clock")


def arrived() -> int:
    upload = Upload.objects.first()
    return upload.offset_bytes if upload else 0


def prepared() -> Clip:
    services.run_job(str(Job.objects.get().pk))
    return Clip.objects.get()


def test_film_is_recorded_sent_meanwhile_and_can_be_looked_at(page: Page, lesson: Lesson) -> None:
    say_what(page)
    begin(page)
    wait_for(lambda: arrived() > 0, within_s=20, what="the first seconds, sent while recording")
    play(page, at_least_s=4)
    page.get_by_role("button", name="Stop, that was it").tap()
    page.wait_for_url("**/clips/**")
    clip = prepared()
    assert clip.state == Clip.State.READY
    assert clip.kind == "video"
    assert clip.duration_s > 3
    assert clip.assignment is not None
    assert clip.was_first_today
    assert clip.has_peaks  # so there is sound


def test_the_sound_is_asked_for_as_it_is_and_the_picture_large(page: Page) -> None:
    page.get_by_role("button", name="Open the camera").tap()
    expect(page.get_by_role("button", name="Begin recording")).to_be_visible()
    [wishes] = page.evaluate("() => window.asked")
    assert {wishes["audio"][name] for name in ("autoGainControl", "echoCancellation", "noiseSuppression")} == {False}
    assert (wishes["video"]["width"], wishes["video"]["height"]) == ({"ideal": 1920}, {"ideal": 1080})
    assert wishes["video"]["frameRate"] == {"ideal": 30}
    kept = page.evaluate("() => document.querySelector('[data-rec-video]').srcObject.getAudioTracks()[0].getSettings()")
    assert not any(kept.get(name) for name in ("autoGainControl", "echoCancellation", "noiseSuppression"))
    expect(page.get_by_text("This browser keeps changing the sound")).to_be_hidden()


def test_the_hint_follows_the_chosen_line(page: Page) -> None:
    page.get_by_role("button", name="Open the camera").tap()
    page.get_by_text("A: Five notes").tap()
    expect(page.locator('[data-framing="side"]')).to_be_visible()
    expect(page.get_by_text("From the side, level with the keys")).to_be_visible()
    page.get_by_text("sound only").tap()
    expect(page.get_by_text("Sound is enough.")).to_be_visible()
    expect(page.locator("[data-rec-live]")).to_be_hidden()


def test_sound_alone_is_recorded_too(page: Page) -> None:
    page.get_by_text("sound only").tap()
    say_what(page)
    begin(page, opening="Open the microphone")
    play(page, at_least_s=3)
    page.get_by_role("button", name="Stop, that was it").tap()
    page.wait_for_url("**/clips/**")
    clip = prepared()
    assert (clip.state, clip.kind) == (Clip.State.READY, "sound")


def arrived_s() -> float:
    """Seconds of playable film or sound in what has arrived; 0 where it cannot be opened yet."""
    upload = Upload.objects.first()
    try:
        with upload.path.open("rb") as file, av.open(file) as container:
            return max(
                (float(packet.pts * packet.time_base) for packet in container.demux() if packet.pts), default=0.0
            )
    except (AttributeError, FileNotFoundError, av.error.FFmpegError):
        return 0.0


def kept_after_the_end_of(page: Page, context: BrowserContext, live_server) -> Clip:
    page.close(run_before_unload=False)
    again = context.new_page()
    again.route("**/*.js", lambda route: route.abort())  # here too, nobody asks; the button works without scripts
    again.goto(f"{live_server.url}{reverse('lessons:clip-uploads')}")
    again.get_by_role("button", name="Keep what arrived").tap()
    again.wait_for_url("**/clips/**")
    return prepared()


def test_film_that_arrived_before_the_browser_died_is_a_clip(page: Page, context: BrowserContext, live_server) -> None:
    say_what(page)
    begin(page)
    # Told from the film, not from the clock: on a busy machine the browser packs large pictures more slowly than they come.
    wait_for(lambda: arrived_s() > 3, within_s=60, what="three seconds of film")
    clip = kept_after_the_end_of(page, context, live_server)
    assert (clip.state, clip.kind) == (Clip.State.READY, "video")
    assert clip.duration_s > 3


def test_a_browser_that_dies_costs_the_last_seconds_of_sound_at_most(
    page: Page, context: BrowserContext, live_server
) -> None:
    page.get_by_text("sound only").tap()
    say_what(page)
    begin(page, opening="Open the microphone")
    play(page, at_least_s=7)
    clip = kept_after_the_end_of(page, context, live_server)
    assert (clip.state, clip.kind) == (Clip.State.READY, "sound")
    assert clip.duration_s >= 3.5  # of seven seconds and a bit: one piece not yet made, one on its way


def test_a_line_that_breaks_costs_nothing(page: Page, context: BrowserContext) -> None:
    say_what(page)
    begin(page)
    wait_for(lambda: arrived() > 0, within_s=20, what="the first seconds")
    context.set_offline(True)
    expect(page.get_by_text("wait in this page").first).to_be_visible(timeout=20_000)
    context.set_offline(False)
    page.get_by_role("button", name="Stop, that was it").tap()
    page.wait_for_url("**/clips/**", timeout=40_000)
    assert prepared().state == Clip.State.READY


def test_what_waits_in_the_page_alone_is_not_left_unasked(page: Page) -> None:
    say_what(page)
    page.route(
        "**/uploads/**",
        lambda route: route.fulfill(status=507) if route.request.method == "PATCH" else route.continue_(),
    )
    begin(page)
    expect(page.get_by_text("Not sent on")).to_be_visible(timeout=20_000)
    for name in ("Go on sending", "Stop, that was it"):
        expect(page.get_by_role("button", name=name)).to_be_visible()
    assert page.evaluate("() => !dispatchEvent(new Event('beforeunload', {cancelable: true}))")


def test_the_other_kind_chosen_while_the_browser_asks_is_what_opens(page: Page) -> None:
    page.evaluate("""() => {
        const ask = navigator.mediaDevices.getUserMedia;
        navigator.mediaDevices.getUserMedia = async (wishes) => { await new Promise((go) => { window.answer = go; }); return ask(wishes); };
    }""")
    page.get_by_role("button", name="Open the camera").tap()
    page.get_by_text("sound only").tap()
    page.evaluate("() => { const answer = window.answer; window.answer = null; answer(); }")
    page.wait_for_function("() => window.answer")
    page.evaluate("() => window.answer()")
    expect(page.get_by_role("button", name="Begin recording")).to_be_visible()
    assert [bool(wishes["video"]) for wishes in page.evaluate("() => window.asked")] == [True, False]


def test_a_browser_that_opens_the_camera_but_does_not_record_is_told_of(page: Page) -> None:
    page.evaluate(
        "() => { MediaRecorder.prototype.start = () => { throw new DOMException('', 'NotSupportedError'); }; }"
    )
    say_what(page)
    page.get_by_role("button", name="Open the camera").tap()
    page.get_by_role("button", name="Begin recording").tap()
    expect(page.get_by_text("It did not begin")).to_be_visible()
    assert not Upload.objects.exists()


def test_nothing_begins_before_it_is_said_what_is_played(page: Page) -> None:
    page.get_by_role("button", name="Open the camera").tap()
    page.get_by_role("button", name="Begin recording").tap()
    expect(page.locator("[data-rec-words]")).to_have_text("Say first what is on the clip.")
    assert not Upload.objects.exists()


def test_thrown_away_is_thrown_away(page: Page) -> None:
    say_what(page)
    begin(page)
    wait_for(lambda: arrived() > 0, within_s=20, what="the first seconds")
    page.route("**/uploads/**", lambda route: route.abort() if route.request.method == "PATCH" else route.continue_())
    page.get_by_role("button", name="Stop, that was it").tap()
    page.get_by_role("button", name="Throw it away").tap()
    expect(page.locator("[data-rec-words]")).to_have_text("Thrown away. Nothing of it is kept.")
    wait_for(lambda: not Upload.objects.exists(), within_s=20, what="the upload's end")
    assert not Clip.objects.exists()


@pytest.mark.parametrize(
    ("trick", "said"),
    [
        ("delete window.MediaRecorder;", "No recording in this browser"),
        ("Object.defineProperty(navigator, 'mediaDevices', {value: undefined});", "No camera for pages"),
        ("Object.defineProperty(window, 'isSecureContext', {value: false});", "Not over this address"),
    ],
)
def test_what_is_missing_is_said_with_the_plain_way_beside_it(
    context: BrowserContext, live_server, lesson: Lesson, trick: str, said: str
) -> None:
    page = context.new_page()
    page.add_init_script(trick)
    page.goto(f"{live_server.url}{reverse('lessons:film-record', kwargs={'pk': lesson.pk})}")
    expect(page.get_by_text(said)).to_be_visible()
    expect(page.get_by_role("link", name="Use the camera app, and send the clip")).to_be_visible()
    expect(page.get_by_role("button", name="Open the camera")).to_be_hidden()


@pytest.mark.parametrize(
    ("name", "said"),
    [("NotAllowedError", "Not allowed"), ("NotFoundError", "Nothing to record with"), ("NotReadableError", "In use")],
)
def test_a_camera_that_does_not_open_is_said_in_words(page: Page, name: str, said: str) -> None:
    page.evaluate(
        f"() => {{ navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException('', '{name}')); }}"
    )
    page.get_by_role("button", name="Open the camera").tap()
    expect(page.get_by_text(said, exact=True)).to_be_visible()
    expect(page.get_by_role("button", name="Open the camera")).to_be_visible()


def test_the_page_keeps_the_rules_of_access(page: Page) -> None:
    assert Axe().run(page).violations_count == 0
    page.get_by_role("button", name="Open the camera").tap()
    expect(page.get_by_role("button", name="Begin recording")).to_be_visible()
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
