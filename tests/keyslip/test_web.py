import re
import xml.etree.ElementTree as ET

import pytest
from django.core.checks import run_checks
from django.template import Context, Template
from django.utils import timezone

from curriculum.models import Learner
from keyslip.authority import Authority
from keyslip.broker import Broker
from keyslip.first_account import first_account_path


@pytest.fixture
def open_house(settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path
    settings.KEYSLIP_LAN_HOSTS = ["192.168.7.7", "10.1.1.1", "piano.local"]
    settings.ALLOWED_HOSTS = ["testserver", *settings.KEYSLIP_LAN_HOSTS]
    Authority(tmp_path / "authority").server_files(settings.KEYSLIP_LAN_HOSTS)
    return settings


# What every answer carries


@pytest.mark.parametrize("path", ["/healthz", "/phone/", "/care/", "/sign-in/", "/nowhere/"])
@pytest.mark.django_db
def test_every_answer_carries_the_content_policy(client, path):
    policy = client.get(path)["Content-Security-Policy"]
    directives = dict(part.split(" ", 1) for part in policy.split("; "))
    assert directives["default-src"] == "'self'"
    assert directives["img-src"] == directives["media-src"] == "'self' blob:"
    assert directives["object-src"] == directives["frame-ancestors"] == "'none'"
    assert directives["base-uri"] == directives["form-action"] == "'self'"
    assert "unsafe" not in policy


@pytest.mark.parametrize("path", ["/phone/", "/care/", "/sign-in/", "/nowhere/"])
@pytest.mark.django_db
def test_no_page_carries_an_inline_script_or_style_or_a_remote_asset(client, path):
    page = client.get(path).content.decode()
    assert not re.search(r"<script(?![^>]*\bsrc=)", page)
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=", page)
    assert not re.search(r"(?:src|href)=[\"'](?:https?:)?//", page)


def test_stricter_policy_of_a_view_is_kept(rf):
    from django.http import HttpResponse

    from keyslip.middleware import ContentPolicyMiddleware

    answer = HttpResponse(headers={"Content-Security-Policy": "sandbox"})
    assert ContentPolicyMiddleware(lambda _: answer)(rf.get("/"))["Content-Security-Policy"] == "sandbox"


@pytest.mark.django_db
def test_answer_is_never_guessed_at_nor_framed(client):
    answer = client.get("/sign-in/")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Referrer-Policy"] == "same-origin"
    assert "Strict-Transport-Security" not in answer


@pytest.mark.django_db
def test_host_that_is_not_ours_is_refused(client):
    assert client.get("/healthz", headers={"host": "evil.example"}).status_code in {200, 400}
    assert client.get("/sign-in/", headers={"host": "evil.example"}).status_code == 400


@pytest.mark.django_db
def test_pages_speak_in_the_learners_own_time_zone(rf):
    from curriculum.middleware import TimeZoneMiddleware

    noon = timezone.datetime(2026, 7, 1, 12, tzinfo=timezone.get_fixed_timezone(0))
    request, seen = rf.get("/"), []
    for zone in ("Europe/Lisbon", "Asia/Tokyo", "Not/AZone"):
        request.user = Learner(username="ada", time_zone=zone)
        TimeZoneMiddleware(lambda _: seen.append(Template("{{ noon|date:'H:i' }}").render(Context({"noon": noon}))))(
            request
        )
    assert seen == ["13:00", "21:00", "12:00"]
    assert timezone.get_current_timezone_name() == "UTC"


def test_alive_answer_needs_neither_sign_in_nor_database(client):
    assert client.get("/healthz").content == b"ok\n"
    assert client.post("/healthz").status_code == 405


# The phone page


@pytest.mark.django_db
def test_phone_page_says_how_to_open_the_house_while_it_is_closed(client):
    page = client.get("/phone/").content.decode()
    assert "make run LAN=1" in page
    assert client.get("/phone/code.svg").status_code == 404
    assert client.get("/phone/authority.crt").status_code == 404


@pytest.mark.django_db
def test_phone_page_names_both_addresses_and_the_fingerprint(client, open_house):
    page = client.get("/phone/").content.decode()
    assert "http://192.168.7.7:8000" in page
    assert "https://192.168.7.7:8443" in page
    assert "https://piano.local:8443" in page
    assert Authority(open_house.KEYSLIP_DATA / "authority").fingerprint() in page
    assert "You are on the plain address now." in page
    assert "You are on the secure address now." in client.get("/phone/", secure=True).content.decode()


@pytest.mark.django_db
def test_phone_page_is_read_only(client):
    assert client.post("/phone/").status_code == 405


def test_code_is_a_picture_without_style_or_script(client, open_house):
    answer = client.get("/phone/code.svg")
    assert answer["Content-Type"] == "image/svg+xml"
    root = ET.fromstring(answer.content)
    assert {element.tag.rpartition("}")[2] for element in root.iter()} <= {"svg", "path", "g"}
    assert b"style" not in answer.content


def test_certificate_is_handed_out_without_its_key(client, open_house):
    answer = client.get("/phone/authority.crt")
    assert answer["Content-Type"] == "application/x-x509-ca-cert"
    assert answer.content == Authority(open_house.KEYSLIP_DATA / "authority").certificate_der()


@pytest.mark.e2e
@pytest.mark.parametrize("size", ["phone", "desktop"])
def test_phone_page_is_clean_for_axe(request, live_server, open_house, size):
    from axe_playwright_python.sync_playwright import Axe

    open_house.ALLOWED_HOSTS = ["*"]
    page = request.getfixturevalue(size)
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{live_server.url}/phone/")
        assert Axe().run(page).response["violations"] == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


# The first account's link


@pytest.mark.django_db
def test_link_is_made_while_nobody_has_an_account_and_only_its_digest_is_kept(tmp_path):
    path = first_account_path(tmp_path)
    token = path.removeprefix("/begin/").removesuffix("/")
    kept = (tmp_path / "first_account_token").read_text()
    assert len(token) == 24
    assert token not in kept
    assert first_account_path(tmp_path) != path


@pytest.mark.django_db
def test_no_link_is_made_once_there_is_an_account(tmp_path):
    first_account_path(tmp_path)
    Learner.objects.create_user("ada", password="x")
    assert first_account_path(tmp_path) is None
    assert not (tmp_path / "first_account_token").exists()


@pytest.mark.django_db
def test_sample_learner_is_nobodys_account(tmp_path):
    Learner.objects.create_user("sample", is_sample=True)
    assert first_account_path(tmp_path) is not None


# System checks


def found_ids():
    return {message.id for message in run_checks(tags=["keyslip"])}


def test_sound_house_has_nothing_to_report():
    assert found_ids() == set()


def test_folder_that_cannot_be_written_to_is_reported(settings, tmp_path):
    settings.FILE_UPLOAD_TEMP_DIR = str(tmp_path / "missing")
    assert found_ids() == {"keyslip.E001"}


def test_key_that_others_can_read_is_reported(settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path
    (tmp_path / "secret_key").touch(mode=0o644)
    assert found_ids() == {"keyslip.E002"}


def test_folder_as_queue_is_reported(settings, tmp_path):
    settings.KEYSLIP_BROKER = Broker(url="filesystem://", folder=tmp_path)
    assert found_ids() == {"keyslip.W003"}


def test_missing_decoder_is_reported(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "av", None)
    assert found_ids() == {"keyslip.E004"}


def test_debug_before_the_whole_house_is_reported(settings):
    settings.DEBUG = True
    settings.ALLOWED_HOSTS = ["127.0.0.1"]
    assert found_ids() == set()
    settings.KEYSLIP_LAN = True
    assert found_ids() == {"keyslip.E005"}


def test_every_report_has_a_hint(settings, tmp_path):
    settings.KEYSLIP_BROKER = Broker(url="filesystem://", folder=tmp_path)
    settings.FILE_UPLOAD_TEMP_DIR = str(tmp_path / "missing")
    assert all(message.hint for message in run_checks(tags=["keyslip"]))
