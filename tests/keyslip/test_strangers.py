"""Every address that names a row, asked by somebody whose row it is not, and by nobody at all."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils.html import escape

from curriculum.models import Learner
from tests.addresses import OTHER, OWNED, address, rows_of
from tests.make import make_learner

# A text that would run if a page did not escape it, and would close the attribute or the sheet that it stands in.
HOSTILE = "\"'><img src=x onerror=alert(1)><script>alert(1)</script></style>{{7*7}}{%x%}"


@pytest.fixture
def rows(db: None, settings: Any, tmp_path: Any) -> dict[str, Any]:
    """One row of each kind, all of one learner, under the first word of its address."""
    settings.KEYSLIP_DATA = tmp_path
    ada = make_learner("ada")
    return rows_of(ada)


def signed_in(learner: Learner) -> Client:
    client = Client(raise_request_exception=True)
    client.force_login(learner)
    return client


@pytest.mark.parametrize("name", OWNED)
def test_address_that_names_a_row_is_its_owners_alone(rows: dict[str, Any], name: str) -> None:
    path = address(name, rows)
    stranger, visitor, owner = signed_in(make_learner("mallory")), Client(), signed_in(rows["books"].learner)
    count = {type(row): type(row)._default_manager.count() for row in rows.values()}

    asked = stranger.get(path).status_code, stranger.get(path, headers={"hx-request": "true"}).status_code
    sent = stranger.post(path, {"title": "Taken", "reason": "Taken", "was_right": "yes", "level": "1"}).status_code
    assert {*asked, sent} <= {404, 405}
    assert 404 in {*asked, sent}

    for answer in (visitor.get(path), visitor.post(path)):
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in/")

    for method in ("PUT", "DELETE", "PATCH", "TRACE"):
        # Where clips arrive in slices, two of these are methods; whoever does not speak that protocol is told its version.
        wanted = 412 if name == "lessons:clip-upload-resource" and method in {"DELETE", "PATCH"} else 405
        assert owner.generic(method, path).status_code == wanted
    assert count == {model: model._default_manager.count() for model in count}


def test_what_somebody_typed_is_escaped_on_every_page(db: None, settings: Any, tmp_path: Any) -> None:
    settings.KEYSLIP_DATA = tmp_path
    learner = make_learner("ada")
    found, owner = rows_of(learner, text=HOSTILE), signed_in(learner)
    shown = 0
    for name in sorted({*OWNED, *OTHER}):
        answer = owner.get(address(name, found) if name in OWNED else reverse(name))
        answer.close()
        if answer.streaming or not answer.get("Content-Type", "").startswith("text/html"):
            assert "attachment" in answer.get("Content-Disposition", "attachment"), name
            continue
        page = answer.content.decode()
        for hostile in ("<img src=x", "<script>alert", "</style>{{", "onerror=alert(1)><", "49{%x%}"):
            assert hostile not in page, name
        shown += escape("<img src=x") in page
    assert shown > 30
