"""What every test may ask for."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import django.test.client
import hypothesis
import pytest
from django.conf import settings
from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect, sync_playwright

# The browser's driver runs an event loop in the test's thread; Django would refuse the database there.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def _keep_connections(**_: object) -> None:
    """Stands for Django's own receiver, which the test client takes out and puts back around each request."""


# A streamed answer that a test closes by hand would close the connection that holds the test's own transaction.
request_started.disconnect(close_old_connections)
request_finished.disconnect(close_old_connections)
django.test.client.close_old_connections = _keep_connections

hypothesis.settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,  # two busy cores: time is judged elsewhere
    print_blob=True,
    database=None,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.load_profile("repeatable")

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# Milliseconds that a page may take for one step: two cores that do much else.
PATIENCE_MS = 20_000
PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 3, "is_mobile": True, "has_touch": True}
DESKTOP = {"viewport": {"width": 1280, "height": 800}}


@pytest.hookimpl(wrapper=True, tryfirst=True)  # before `-m` chooses by marks, and after the order was drawn
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Iterator[None]:
    """Whatever touches the database runs on PostgreSQL too, except what is slow or walks in a browser and asks
    nothing new of it. The slow ones come first, so that no process waits for the last of them at the end.
    """
    for item in items:
        touches = item.get_closest_marker("django_db") or {"db", "transactional_db"} & set(item.fixturenames)
        if touches and not item.get_closest_marker("e2e") and not item.get_closest_marker("slow"):
            item.add_marker("postgres")
    yield
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)


@pytest.fixture(autouse=True)
def _no_ear(request: pytest.FixtureRequest) -> Iterator[None]:
    """Clips are not listened to, but in tests marked `ear` and in programs that tests start: it takes a second or two."""
    from lessons.signals import clip_checked
    from reviews.receivers import hear_first

    if request.node.get_closest_marker("ear") is None:
        clip_checked.disconnect(hear_first)
    yield
    clip_checked.connect(hear_first)


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="session")
def chromium(playwright: Playwright) -> Iterator[Browser]:
    """The system's Chromium; a machine without it fails, it does not skip."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    assert path, "These tests drive Chromium, which is not on PATH."
    browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
    yield browser
    browser.close()


@pytest.fixture
def phone(chromium: Browser) -> Iterator[Page]:
    """A page at the size of a phone."""
    yield from _page(chromium.new_context(**PHONE, locale="en-GB"))


@pytest.fixture
def desktop(chromium: Browser) -> Iterator[Page]:
    """A page at the size of a small desktop."""
    yield from _page(chromium.new_context(**DESKTOP, locale="en-GB"))


def _page(context: BrowserContext) -> Iterator[Page]:
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console", lambda message: errors.append(message.text) if "Content Security Policy" in message.text else None
    )
    yield page
    context.close()
    assert not errors, errors


@pytest.fixture(scope="session")
def project() -> Path:
    """The folder of the checkout, where programs are started."""
    return Path(settings.BASE_DIR)
