"""Names that no line can hold, in every place where a learner may write one, on a phone."""

import pytest
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page

from tests.addresses import OTHER, OWNED, address, rows_of
from tests.make import make_learner

pytestmark = [pytest.mark.e2e, pytest.mark.django_db(transaction=True)]

# 79 signs without a place to break, half of them running from right to left, and faces.
LONG = "W" * 40 + "ש" * 30 + "😀" * 9

MEASURE = """() => {
  const wide = document.documentElement.scrollWidth > document.documentElement.clientWidth;
  const squashed = [...document.querySelectorAll('main a, main button, main dt, main th, main h1, main h2')].filter(
    (each) => each.getClientRects().length && each.innerText.trim().length > 3
      && each.getBoundingClientRect().width < 24 && !each.closest('[hidden], details:not([open])'));
  const limit = document.documentElement.clientWidth;
  const out = wide ? [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > limit + 1).map((e) => e.outerHTML.slice(0, 90)).slice(0, 4) : [];
  return {wide: out, squashed: squashed.map((each) => each.outerHTML.slice(0, 120))};
}"""


def test_long_words_push_no_page_sideways_and_squash_nothing(
    phone: Page, live_server, client: Client, settings, tmp_path
) -> None:
    settings.KEYSLIP_DATA = tmp_path
    learner = make_learner("ada")
    rows = rows_of(learner, text=LONG)
    client.force_login(learner)
    value = client.cookies[settings.SESSION_COOKIE_NAME].value
    phone.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": value, "url": live_server.url}])
    found = []
    for name in sorted({*OWNED, *OTHER}):
        path = address(name, rows) if name in OWNED else reverse(name)
        answer = client.get(path)
        answer.close()
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        phone.goto(live_server.url + path)
        measured = phone.evaluate(MEASURE)
        if measured["wide"] or measured["squashed"]:
            found.append((name, measured))
    assert not found
