"""Private files in ranges, to their owner alone."""

import os
import re
from io import BytesIO

import pytest
import time_machine

from lessons.models import Clip
from lessons.views import serving
from lessons.views.serving import CHUNK_BYTES, FileSlice
from tests.make import make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db

CONTENT = bytes(range(256)) * 40
SIZE = len(CONTENT)


@pytest.fixture
def clip(client):
    learner = make_learner()
    client.force_login(learner)
    return make_clip(make_lesson(learner), content=CONTENT, has_poster=True)


@pytest.fixture
def ask(client, clip):
    def get(asked=None, **headers):
        if asked:
            headers["Range"] = asked
        return client.get(f"/clips/{clip.pk}/copy/", headers=headers)

    return get


def body(response):
    content = b"".join(response.streaming_content) if response.streaming else response.content
    response.close()
    return content


def head_of(response, name):
    response.close()
    return response[name]


def test_whole_copy_is_private_and_may_run_nothing(ask):
    response = ask()
    assert response.status_code == 200
    assert body(response) == CONTENT
    assert response["Content-Type"] == "video/mp4"
    assert response["Content-Length"] == str(SIZE)
    assert response["Accept-Ranges"] == "bytes"
    assert response["Cache-Control"] == "private, no-cache"
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert response["ETag"].startswith('"')


@pytest.mark.parametrize(
    ("asked", "start", "end"),
    [
        ("bytes=0-1", 0, 2),
        ("bytes=-100", SIZE - 100, SIZE),
        ("bytes=9000-", 9000, SIZE),
        ("bytes=0-99999999", 0, SIZE),
        (f"bytes=-{SIZE * 2}", 0, SIZE),
        (f"bytes={SIZE - 1}-{SIZE - 1}", SIZE - 1, SIZE),
        ("Bytes= 5-9 ", 5, 10),
    ],
)
def test_one_range_is_answered_with_exactly_its_bytes(ask, asked, start, end):
    response = ask(asked)
    assert response.status_code == 206
    assert response["Content-Range"] == f"bytes {start}-{end - 1}/{SIZE}"
    assert response["Content-Length"] == str(end - start)
    assert body(response) == CONTENT[start:end]


def test_player_that_first_asks_for_two_bytes_is_answered_with_206(ask):
    """Some play nothing at all otherwise: https://github.com/evansd/whitenoise/issues/82."""
    response = ask("bytes=0-1")
    assert response.status_code == 206
    assert body(response) == CONTENT[:2]


@pytest.mark.parametrize("asked", ["bytes=0-1", "bytes=0-0", "bytes=-1", "bytes=5-", "bytes=0-"])
def test_length_said_range_said_and_bytes_sent_agree(ask, asked):
    """A wrong length for the first two bytes: https://github.com/CenterForOpenScience/waterbutler/issues/411."""
    response = ask(asked)
    first, last, size = map(int, re.fullmatch(r"bytes (\d+)-(\d+)/(\d+)", response["Content-Range"]).groups())
    assert size == SIZE
    assert int(response["Content-Length"]) == last - first + 1 == len(body(response))


@pytest.mark.parametrize("asked", [f"bytes={SIZE}-", f"bytes={SIZE}-{SIZE + 5}", "bytes=-0", "bytes=99999999-"])
def test_range_beyond_the_end_cannot_be_met(ask, asked):
    response = ask(asked)
    assert response.status_code == 416
    assert response["Content-Range"] == f"bytes */{SIZE}"
    assert body(response) == b""


@pytest.mark.parametrize(
    "asked", ["bytes=9-5", "bytes=0-1,5-6", "bytes=-", "bytes=x-y", "seconds=0-1", "bytes", "bytes=1-2-3", "bytes=١-٢"]
)
def test_what_is_no_single_range_is_answered_with_the_whole(ask, asked):
    response = ask(asked)
    assert response.status_code == 200
    assert body(response) == CONTENT


def test_range_counts_only_while_the_file_is_the_same(ask, clip):
    tag = head_of(ask(), "ETag")
    assert body(ask("bytes=0-1", **{"If-Range": tag})) == CONTENT[:2]
    os.utime(clip.copy_path, ns=(1, 1))
    changed = ask("bytes=0-1", **{"If-Range": tag})
    assert changed["ETag"] != tag
    assert body(changed) == CONTENT
    assert body(ask("bytes=0-1", **{"If-Range": f"W/{changed['ETag']}"})) == CONTENT


@pytest.mark.parametrize("named", ["Wed, 25 Nov 2026 10:00:00 GMT", '"other"', "nonsense"])
def test_range_that_holds_only_for_another_file_or_a_date_is_answered_with_the_whole(ask, named):
    response = ask("bytes=0-1", **{"If-Range": named})
    assert response.status_code == 200
    assert body(response) == CONTENT


def test_range_beyond_the_end_of_another_file_is_answered_with_the_whole(ask):
    response = ask(f"bytes={SIZE}-", **{"If-Range": '"other"'})
    assert response.status_code == 200
    assert body(response) == CONTENT


@pytest.mark.parametrize("asked", [None, "bytes=0-1"])
def test_known_copy_is_not_sent_again(ask, asked):
    tag = head_of(ask(), "ETag")
    for named in (f'"other", {tag}', f"W/{tag}", "*"):
        response = ask(asked, **{"If-None-Match": named})
        assert response.status_code == 304
        assert response["ETag"] == tag
        assert response["Cache-Control"] == "private, no-cache"
        assert response["Content-Length"] == str(SIZE)
        assert "Content-Type" not in response
        assert body(response) == b""


def test_asker_who_insists_on_another_file_gets_none(ask):
    tag = head_of(ask(), "ETag")
    assert body(ask(**{"If-Match": f'"other", {tag}'})) == CONTENT
    for named in ('"other"', f"W/{tag}"):
        response = ask("bytes=0-1", **{"If-Match": named, "If-None-Match": tag})
        assert response.status_code == 412
        assert body(response) == b""


@pytest.mark.parametrize("asked", ["bytes=0-1", "bytes=-5", ""])
def test_no_byte_of_an_empty_file_can_be_asked_for(ask, clip, asked):
    clip.copy_path.write_bytes(b"")
    response = ask(asked)
    assert response.status_code == (416 if asked else 200)
    assert body(response) == b""


def test_file_removed_while_it_is_sent_is_sent_to_its_end(ask, clip, monkeypatch):
    monkeypatch.setattr(serving, "CHUNK_BYTES", 1000)
    response = ask()
    parts = iter(response.streaming_content)
    start = next(parts)
    clip.copy_path.unlink()
    assert start + b"".join(parts) == CONTENT
    response.close()


def test_file_cut_short_while_it_is_sent_ends_the_answer_early(ask, clip, monkeypatch):
    monkeypatch.setattr(serving, "CHUNK_BYTES", 1000)
    response = ask()
    parts = iter(response.streaming_content)
    start = next(parts)
    os.truncate(clip.copy_path, 2000)
    assert len(start + b"".join(parts)) < int(response["Content-Length"])
    response.close()


def test_head_says_the_length_and_sends_nothing(client, clip):
    response = client.head(f"/clips/{clip.pk}/copy/", headers={"Range": "bytes=0-1"})
    assert response.status_code == 200
    assert response["Content-Type"] == "video/mp4"
    assert response["ETag"].startswith('"')
    assert "Content-Range" not in response
    assert response["Content-Length"] == str(SIZE)
    assert response["Accept-Ranges"] == "bytes"
    assert body(response) == b""


def test_original_is_saved_and_never_shown(client, clip):
    Clip.objects.filter(pk=clip.pk).update(given_name="première <b>.html")
    response = client.get(f"/clips/{clip.pk}/original/")
    assert response["Content-Type"] == "application/octet-stream"
    assert response["Content-Disposition"].startswith("attachment; filename*=utf-8''premi%C3%A8re")
    assert body(response) == CONTENT


@pytest.mark.parametrize(
    ("given", "saved"),
    [
        ("a\r\nSet-Cookie: b.mov", 'attachment; filename="a  Set-Cookie: b.mov"'),
        ("../../etc/passwd", 'attachment; filename="_.._etc_passwd"'),
        ("..", 'attachment; filename="clip"'),
        ("\x00", 'attachment; filename="clip"'),
        ('say "hi".mov', r'attachment; filename="say \"hi\".mov"'),
    ],
)
def test_name_under_which_a_file_is_saved_holds_no_path_and_no_second_line(given, saved):
    assert serving._as_attachment(given) == saved


def test_poster_is_a_picture(client, clip):
    clip.poster_path.write_bytes(b"jpeg")
    response = client.get(f"/clips/{clip.pk}/poster/")
    assert response["Content-Type"] == "image/jpeg"
    assert body(response) == b"jpeg"


@pytest.mark.parametrize("name", ["copy", "poster", "original"])
def test_files_are_hidden_from_strangers_and_signed_out_visitors(client, clip, name):
    address = f"/clips/{clip.pk}/{name}/"
    client.force_login(make_learner())
    assert client.get(address).status_code == 404
    client.logout()
    assert client.get(address).status_code == 302
    assert client.post(address).status_code in {302, 405}


def test_address_of_a_copy_does_not_run_out_while_somebody_looks(client, clip):
    address = f"/clips/{clip.pk}/copy/"
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False):
        client.force_login(clip.lesson.learner)
        tag = head_of(client.get(address), "ETag")
    with time_machine.travel(
        "2027-01-24T10:00:00Z", tick=False
    ):  # paused in the middle, and gone on with two months later
        assert body(client.get(address, headers={"Range": "bytes=2-5", "If-Range": tag})) == CONTENT[2:6]


@pytest.mark.parametrize("name", ["copy", "poster", "original"])
def test_file_that_is_gone_is_not_found(client, clip, name):
    for path in clip.folder.iterdir():
        path.unlink()
    assert client.get(f"/clips/{clip.pk}/{name}/").status_code == 404


def test_clip_without_a_copy_has_nothing_to_play(client, clip):
    Clip.objects.filter(pk=clip.pk).update(has_copy=False, has_poster=False)
    assert client.get(f"/clips/{clip.pk}/copy/").status_code == 404
    assert client.get(f"/clips/{clip.pk}/poster/").status_code == 404


def test_proxy_in_front_gets_the_path_instead_of_the_bytes(ask, clip, settings):
    settings.KEYSLIP_ACCEL_PREFIX = "/kept/"
    response = ask("bytes=0-1")
    assert response["X-Accel-Redirect"] == f"/kept/clips/{str(clip.pk)[:2]}/{clip.pk}/copy.mp4"
    assert body(response) == b""


def test_long_file_is_read_in_chunks_and_closed():
    file = BytesIO(bytes(3 * CHUNK_BYTES))
    part = FileSlice(file, start=10, end=2 * CHUNK_BYTES + 20)
    assert [len(chunk) for chunk in part] == [CHUNK_BYTES, CHUNK_BYTES, 10]
    part.close()
    assert file.closed


def test_answer_that_is_broken_off_closes_its_file(ask, monkeypatch):
    parts = []

    class Kept(FileSlice):
        def __init__(self, *args, **options):
            super().__init__(*args, **options)
            parts.append(self)

    monkeypatch.setattr(serving, "FileSlice", Kept)
    response = ask()
    next(iter(response.streaming_content))
    response.close()
    assert parts[0].file.closed
