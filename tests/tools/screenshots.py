"""Take the pictures of README.md from the running program: `python -m tests.tools.screenshots`.

Starts `manage.py up` on a fresh data folder, makes the sample learner there, looks at Keyslip as that learner does, and writes
one picture for each entry of `PICTURES` to static/img/pages/. Nothing of the caller's own data folder is touched.
"""

import io
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.house import PROJECT, House
from tests.waiting import wait_for

FOLDER = PROJECT / "static" / "img" / "pages"
CHROMIUM_FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
DESKTOP = {"viewport": {"width": 1280, "height": 800}}
# Bytes of one picture and of all together: a clone stays small.
MOST_BYTES, MOST_BYTES_TOGETHER = 150_000, 900_000
# Colours of a stored picture: pages are ink, pencil and a few washes; posters of clips get by with what is left.
COLOURS = 128
# Seconds for making the sample. It took 25 alone on two cores.
SAMPLE_S = 600
# Milliseconds until something on a page must be there, on a busy computer.
PATIENCE_MS = 60_000
# What a player says of itself when all it needs is there (HAVE_ENOUGH_DATA).
PLAYABLE = 4


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture: how to get to its page, the size of the window, and light or dark."""

    name: str
    go: Callable[[Page, str], None]
    window: dict[str, object]
    scheme: str = "light"


def week(page: Page, base: str) -> None:
    page.goto(f"{base}/week/")


def film(page: Page, base: str) -> None:
    page.goto(f"{base}/film/")


def clip(page: Page, base: str) -> None:
    film(page, base)
    page.locator("main a[href*='/clips/']").first.click()
    player = page.locator("video").first
    # The browser's own sign of loading goes once the clip can be played through.
    wait_for(
        lambda: player.evaluate("it => it.readyState") == PLAYABLE,
        within_s=PATIENCE_MS / 1000,
        what="the clip is there",
    )


def judge(page: Page, base: str) -> None:
    page.goto(f"{base}/judge/")
    page.locator("label").filter(has_text="mostly there").click()
    page.locator("fieldset").filter(has=page.locator("input[name=level]")).first.evaluate("it => it.scrollIntoView()")


def way(page: Page, base: str) -> None:
    page.goto(f"{base}/way/")


def book(page: Page, base: str) -> None:
    page.goto(f"{base}/books/")  # leads to the only book
    page.get_by_text("You are here").first.evaluate("it => it.scrollIntoView({block: 'center'})")


def findings(page: Page, base: str) -> None:
    """What was measured of last week's take, which is marked."""
    page.goto(f"{base}/space/")
    page.locator("main h3 a").nth(1).click()
    page.get_by_role("link", name="Measured").first.click()
    page.wait_for_url("**/findings/")


def score(page: Page, base: str) -> None:
    page.goto(f"{base}/scores/")
    page.locator("main a[href*='/scores/']").filter(has_text="There and back").first.click()
    page.locator("main svg").first.wait_for()


PICTURES = [
    Picture("week-phone", week, PHONE),
    Picture("film-phone", film, PHONE),
    Picture("clip-phone", clip, PHONE),
    Picture("judge-phone", judge, PHONE),
    Picture("way-phone", way, PHONE),
    Picture("findings-phone", findings, PHONE),
    Picture("score-phone", score, PHONE),
    Picture("week-phone-dark", week, PHONE, scheme="dark"),
    Picture("week-desktop", week, DESKTOP),
    Picture("way-desktop", way, DESKTOP),
    Picture("book-desktop", book, DESKTOP),
]


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="keyslip-pictures-") as folder, House(Path(folder) / "data") as house:
        subprocess.run(
            [sys.executable, "manage.py", "load_demo"],
            cwd=PROJECT,
            env=house.variables,
            timeout=SAMPLE_S,
            check=True,
        )
        with sync_playwright() as running:
            browser = running.chromium.launch(executable_path=chromium(), args=CHROMIUM_FLAGS)
            take_all(browser, house)
            browser.close()


def chromium() -> str:
    """Return the system's Chromium."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        sys.exit("Chromium is not on PATH; the pictures are taken with it.")
    return found


def take_all(browser: Browser, house: House) -> None:
    signed_in = sign_in(browser, house)
    FOLDER.mkdir(parents=True, exist_ok=True)
    sizes = []
    for picture in PICTURES:
        context = browser.new_context(
            **picture.window, color_scheme=picture.scheme, locale="en-GB", storage_state=signed_in
        )
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        picture.go(page, house.base)
        page.wait_for_load_state("networkidle")
        path = FOLDER / f"{picture.name}.png"
        path.write_bytes(small(page.screenshot(animations="disabled")))
        sizes.append(path.stat().st_size)
        print(f"{path.name}: {sizes[-1] / 1000:.0f} kB, {page.title()}")
        context.close()
    if max(sizes) > MOST_BYTES or sum(sizes) > MOST_BYTES_TOGETHER:
        sys.exit(f"Too large: {max(sizes)} bytes the largest, {sum(sizes)} together.")


def sign_in(browser: Browser, house: House) -> dict[str, object]:
    """Make the first account by its one-time link, then look at the sample as the button there does."""
    context = browser.new_context(locale="en-GB")
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    page.goto(house.begin_url)
    page.get_by_label("Name", exact=True).fill("ida")
    page.get_by_label("Password", exact=True).fill("under the stairs 9")
    page.get_by_label("Password again").fill("under the stairs 9")
    page.get_by_role("button", name="Make the account").click()
    page.wait_for_url("**/set-up/**")
    page.goto(f"{house.base}/sample/")
    page.locator("form[action$='/sample/enter/'] button").click()
    page.wait_for_url("**/week/**")  # where the greeting is shown once
    state = context.storage_state()
    context.close()
    return state


def small(png: bytes) -> bytes:
    """Return a picture with a palette of its own."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    found = io.BytesIO()
    image.quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(found, "PNG", optimize=True)
    return found.getvalue()


if __name__ == "__main__":
    main()
