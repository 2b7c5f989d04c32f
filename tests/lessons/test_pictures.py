"""Reference pictures and stills: kept as our own drawing of what was sent, shown to their owner alone."""

import io
import uuid
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from curriculum.models import Learner, Skill, Unit
from lessons import services
from lessons.models import Clip, ReferencePicture, Still, Take
from lessons.services import pictures as pictures_service
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_learner,
    make_lesson,
    make_picture,
    make_skill,
    make_still,
    make_take,
    make_unit,
)
from tests.tools.make_clips import picture as drawn_frame
from tests.tools.make_clips import png_bytes
from tests.tools.phone_clip import FPS, PLACE, make_phone_clip

pytestmark = pytest.mark.django_db

MAKER = "Hollowaycam"


@pytest.fixture(autouse=True)
def _data(settings, tmp_path: Path) -> None:
    settings.KEYSLIP_DATA = tmp_path / "data"
    (tmp_path / "data").mkdir()


@pytest.fixture
def learner() -> Learner:
    return make_learner()


@pytest.fixture
def signed_in(client: Client, learner: Learner) -> Client:
    client.force_login(learner)
    return client


@pytest.fixture
def unit(learner: Learner) -> Unit:
    return make_unit(make_book(learner), "The lantern")


@pytest.fixture
def skill(learner: Learner) -> Skill:
    return make_skill(learner, "hand-arch", gate="watch", group="hand")


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_phone_clip(tmp_path_factory.mktemp("film") / "lesson.mov", seconds=2, width=180, height=320)


@pytest.fixture
def take(learner: Learner, unit: Unit, film: Path) -> Take:
    """A take over a film of two seconds that the phone has turned."""
    lesson = make_lesson(learner)
    row = make_assignment(lesson, unit=unit, dimensions=["hand-shape"])
    clip = make_clip(lesson, content=film.read_bytes(), duration_s=2.0, assignment=row)
    return make_take(row, clip=clip, end_s=2.0)


def photo(*, size: tuple[int, int] = (800, 600), kind: str = "JPEG", orientation: int = 1) -> bytes:
    """A picture as a phone saves it: with maker, place, and which way it was held. Its top left corner is red."""
    image = Image.new("RGB", size, (200, 205, 200))
    image.paste((220, 30, 30), (0, 0, size[0] // 4, size[1] // 4))
    tags = Image.Exif()
    tags[0x010F], tags[0x0112] = MAKER, orientation
    tags.get_ifd(0x8825)[1] = "N"
    tags.get_ifd(0x8825)[2] = (48.0, 51.0, 29.0)
    held = io.BytesIO()
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    image.save(held, kind, exif=tags)
    return held.getvalue()


def sent(content: bytes, name: str = "IMG_0042.JPG", **fields: str) -> dict[str, object]:
    return {
        "picture": SimpleUploadedFile(name, content),
        "view": "side",
        "words": "",
        "token": str(uuid.uuid4()),
    } | fields


def files_in(settings) -> list[Path]:
    return [path for path in Path(settings.KEYSLIP_DATA).rglob("*") if path.is_file()]


# Adding a reference picture --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_photo_is_kept_for_a_unit_without_what_the_phone_wrote_into_it(signed_in, unit, settings, kind):
    content = photo(size=(2000, 1500), kind=kind)
    assert MAKER.encode() in content
    fields = sent(content, words="forearm  level")
    response = signed_in.post(reverse("lessons:unit-pictures", args=[unit.pk]), fields)
    assert response.status_code == 302
    kept = ReferencePicture.objects.get()
    assert (kept.unit, kept.skill, kept.view, kept.words) == (unit, None, "side", "forearm level")
    assert (kept.width_px, kept.height_px) == (1600, 1200)
    assert sorted(path.name for path in files_in(settings)) == ["large.jpg", "small.jpg"]
    for path in (kept.large_path, kept.small_path):
        assert MAKER.encode() not in path.read_bytes()
        with Image.open(path) as image:
            assert image.format == "JPEG"
            assert not image.getexif()
    assert kept.made_bytes == sum(path.stat().st_size for path in files_in(settings))


def test_phone_held_upright_is_shown_upright(signed_in, skill):
    signed_in.post(reverse("lessons:skill-pictures", args=[skill.pk]), sent(photo(orientation=6)))
    kept = ReferencePicture.objects.get()
    assert kept.skill == skill
    assert (kept.width_px, kept.height_px) == (600, 800)
    with Image.open(kept.large_path) as image:
        assert image.getpixel((590, 10))[0] > 180 > image.getpixel((590, 10))[1]


def test_form_sent_twice_keeps_one_picture(signed_in, unit, settings):
    address = reverse("lessons:unit-pictures", args=[unit.pk])
    token = str(uuid.uuid4())
    for _ in range(2):
        assert signed_in.post(address, sent(photo(), token=token)).status_code == 302
    assert ReferencePicture.objects.count() == 1
    assert len(files_in(settings)) == 2


def test_token_of_somebody_elses_picture_gets_a_name_of_its_own(signed_in, unit):
    other = make_learner()
    theirs = make_picture(other, skill=make_skill(other))
    content = theirs.large_path.read_bytes()
    signed_in.post(reverse("lessons:unit-pictures", args=[unit.pk]), sent(photo(), token=str(theirs.pk)))
    assert ReferencePicture.objects.count() == 2
    assert theirs.large_path.read_bytes() == content


CUT = photo()[:4000]
SVG = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (SVG, "no picture"),
        (b"<html><script>alert(1)</script>", "no picture"),
        (CUT, "damaged or cut short"),
        (photo(size=(16, 16)), "too small"),
        (png_bytes(30_000, 30_000, 0, 1), "too many pixels"),
        (b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00\x60", "no picture"),
    ],
    ids=["empty", "svg", "html", "cut", "tiny", "bomb", "midi"],
)
def test_what_is_no_good_picture_is_refused_in_plain_words_and_nothing_is_kept(
    signed_in, unit, settings, content, says
):
    address = reverse("lessons:unit-pictures", args=[unit.pk])
    response = signed_in.post(address, sent(content, name="page.jpg", words="what I typed"))
    assert response.status_code == 422
    page = response.content.decode()
    assert says in page
    assert "Nothing was kept" in page or "nothing was kept" in page
    assert "what I typed" in page
    assert not ReferencePicture.objects.exists()
    assert files_in(settings) == []


def test_film_is_no_picture(signed_in, unit, film, settings):
    response = signed_in.post(reverse("lessons:unit-pictures", args=[unit.pk]), sent(film.read_bytes(), "a.mov"))
    assert response.status_code == 422
    assert "This is no picture" in response.content.decode()
    assert files_in(settings) == []


def test_form_without_a_file_says_so(signed_in, skill):
    response = signed_in.post(reverse("lessons:skill-pictures", args=[skill.pk]), {"words": "typed"})
    assert response.status_code == 422
    assert "Choose the picture first." in response.content.decode()
    assert b"typed" in response.content


def test_far_too_large_file_is_refused_before_it_is_read(signed_in, unit, monkeypatch):
    monkeypatch.setattr(pictures_service, "MOST_PICTURE_BYTES", 1000)
    monkeypatch.setattr("lessons.views.pictures.FORM_BYTES", 100)
    response = signed_in.post(reverse("lessons:unit-pictures", args=[unit.pk]), sent(photo()))
    assert response.status_code == 413
    assert "a picture may have" in response.content.decode()
    assert not ReferencePicture.objects.exists()


def test_picture_beyond_the_learners_share_is_refused(signed_in, learner, unit, settings):
    learner.quota_bytes = 100
    learner.save()
    response = signed_in.post(reverse("lessons:unit-pictures", args=[unit.pk]), sent(photo()))
    assert response.status_code == 422
    assert not ReferencePicture.objects.exists()
    assert files_in(settings) == []


def test_no_more_pictures_than_can_be_compared(learner, unit, monkeypatch):
    monkeypatch.setattr(pictures_service, "MOST_PICTURES", 1)
    make_picture(learner, unit=unit)
    with pytest.raises(ValidationError, match="Delete one first"):
        services.add_picture(learner, upload=SimpleUploadedFile("a.jpg", photo()), unit=unit)


def test_upload_without_the_secret_of_the_form_is_refused(learner, unit):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(learner)
    response = strict.post(reverse("lessons:unit-pictures", args=[unit.pk]), sent(photo()))
    assert response.status_code == 403
    assert not ReferencePicture.objects.exists()


# Looking at them -------------------------------------------------------------------------------------------------------


def test_page_of_a_unit_lists_its_pictures_alone(signed_in, learner, unit, skill):
    mine = make_picture(learner, unit=unit, words="the seat")
    make_picture(learner, skill=skill, words="the arch")
    page = signed_in.get(reverse("lessons:unit-pictures", args=[unit.pk])).content.decode()
    assert "The seat" in page
    assert "The arch" not in page
    assert reverse("lessons:picture", args=[mine.pk]) in page


def test_list_costs_the_same_however_long_it_is(signed_in, learner, unit, django_assert_max_num_queries):
    for _ in range(8):
        make_picture(learner, unit=unit)
    with django_assert_max_num_queries(6):
        signed_in.get(reverse("lessons:unit-pictures", args=[unit.pk]))


@pytest.mark.parametrize("count", [0, 1, 2])
def test_unit_and_skill_say_how_many_pictures_they_have(signed_in, learner, unit, skill, count):
    for _ in range(count):
        make_picture(learner, unit=unit)
        make_picture(learner, skill=skill)
    says = {0: "None yet", 1: "1 picture of", 2: "2 pictures of"}[count]
    for thing, name in ((unit, "unit"), (skill, "skill")):
        page = signed_in.get(reverse(f"curriculum:{name}", args=[thing.pk])).content.decode()
        assert says in page
        assert reverse(f"lessons:{name}-pictures", args=[thing.pk]) in page


def test_words_of_a_picture_can_be_changed(signed_in, learner, unit):
    row = make_picture(learner, unit=unit)
    address = reverse("lessons:picture", args=[row.pk])
    assert signed_in.get(address).status_code == 200
    assert signed_in.post(address, {"view": "top", "words": "page 12"}).status_code == 302
    row.refresh_from_db()
    assert (row.view, row.words) == ("top", "page 12")
    assert signed_in.post(address, {"view": "below", "words": ""}).status_code == 422
    assert signed_in.post(address, {"view": "side", "words": "x" * 201}).status_code == 422
    assert signed_in.post(address, {"view": "none"}).status_code == 302
    row.refresh_from_db()
    assert (row.view, row.words) == ("", "")
    assert 'value="none"' in signed_in.get(address).content.decode()


def test_deleted_picture_takes_its_files_with_it(
    signed_in, learner, unit, settings, django_capture_on_commit_callbacks
):
    row = make_picture(learner, unit=unit)
    address = reverse("lessons:picture-delete", args=[row.pk])
    assert b"Delete this picture?" in signed_in.get(address).content
    with django_capture_on_commit_callbacks(execute=True):
        assert signed_in.post(address).status_code == 302
    assert not ReferencePicture.objects.exists()
    assert files_in(settings) == []


@pytest.mark.parametrize("size", ["large", "small"])
def test_picture_is_served_as_nothing_but_a_picture(signed_in, learner, unit, size):
    row = make_picture(learner, unit=unit)
    response = signed_in.get(reverse(f"lessons:picture-{size}", args=[row.pk]))
    assert response["Content-Type"] == "image/jpeg"
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert response["Cache-Control"] == "private, no-cache"
    assert b"".join(response.streaming_content).startswith(b"\xff\xd8")
    response.close()


# Taking a still --------------------------------------------------------------------------------------------------------


def mean_difference(path: Path, number: int) -> float:
    """How far a still is from the frame of this number, in levels of 255."""
    wanted = drawn_frame(180, 320, number)
    with Image.open(path) as image:
        return float(np.abs(np.asarray(image, dtype=float) - wanted).mean())


@pytest.mark.parametrize("at", ["0:00.5", "0:00.516", "0:00.530"])
def test_still_is_the_very_frame_seen_at_the_moment(signed_in, take, at):
    address = reverse("lessons:take-stills", args=[take.pk])
    response = signed_in.post(address, {"at_s": at})
    assert response.status_code == 302
    assert response["Location"] == f"{address}#stills"
    still = Still.objects.get()
    assert still.at_s == pytest.approx(0.5, abs=1e-4)
    assert (still.width_px, still.height_px) == (180, 320)
    assert (still.view, still.is_from_copy) == ("side", False)
    near = mean_difference(still.large_path, 15)
    assert near < min(mean_difference(still.large_path, number) for number in (14, 16))
    for path in (still.large_path, still.small_path):
        assert PLACE.encode() not in path.read_bytes()


def test_same_frame_taken_twice_is_one_still(take):
    first = services.take_still(take, at_s=1.0)
    assert services.take_still(take, at_s=1.0 + 0.4 / FPS) == first
    assert services.take_still(take, at_s=1.0 + 1.2 / FPS) != first
    assert take.stills.count() == 2


def test_still_comes_from_the_copy_once_the_original_is_gone_and_says_so(signed_in, take):
    take.clip.original_path.unlink()
    signed_in.post(reverse("lessons:take-stills", args=[take.pk]), {"at_s": "0:01"})
    still = Still.objects.get()
    assert still.is_from_copy
    assert b"From the copy" in signed_in.get(reverse("lessons:take-still", args=[still.pk])).content


@pytest.mark.parametrize(
    ("at", "says"),
    [("0:09", "This take runs from 0:00.0 to 0:02.0"), ("soon", "no moment of a clip"), ("", "minutes and seconds")],
)
def test_moment_outside_the_take_or_none_at_all_is_refused(signed_in, take, settings, at, says):
    before = len(files_in(settings))
    response = signed_in.post(reverse("lessons:take-stills", args=[take.pk]), {"at_s": at})
    assert response.status_code == 422
    assert says in response.content.decode()
    assert len(files_in(settings)) == before
    assert not Still.objects.exists()


def test_sound_gives_no_still(signed_in, take):
    Clip.objects.update(kind=Clip.Kind.SOUND)
    address = reverse("lessons:take-stills", args=[take.pk])
    assert b"This clip has no picture" in signed_in.get(address).content
    response = signed_in.post(address, {"at_s": "0:01"})
    assert response.status_code == 422
    assert not Still.objects.exists()


def test_clip_whose_files_are_gone_gives_no_still(take):
    take.clip.original_path.unlink()
    take.clip.copy_path.unlink()
    with pytest.raises(ValidationError, match="gone"):
        services.take_still(take, at_s=1.0)


def test_clip_that_cannot_be_read_gives_no_still(take, settings):
    take.clip.original_path.write_bytes(b"no film at all" * 1000)
    with pytest.raises(ValidationError, match="No picture could be read"):
        services.take_still(take, at_s=1.0)
    assert not Path(settings.KEYSLIP_DATA, "pictures").exists()
    assert list(Path(settings.KEYSLIP_DATA, "work").iterdir()) == []


def test_still_leads_back_to_where_it_was_taken_but_nowhere_else(signed_in, take, monkeypatch):
    monkeypatch.setattr(services, "take_still", lambda *_, **__: None)
    address = reverse("lessons:take-stills", args=[take.pk])
    assert signed_in.post(address, {"at_s": "0:01", "back": "/week/#a"})["Location"] == "/week/#a"
    for elsewhere in ("https://example.org/", "//example.org/", "javascript:alert(1)", "/\\example.org"):
        response = signed_in.post(address, {"at_s": "0:01", "back": elsewhere})
        assert response["Location"] == f"{address}#stills"


def test_words_of_a_still_can_be_changed(signed_in, take):
    still = make_still(take)
    address = reverse("lessons:take-still", args=[still.pk])
    assert signed_in.get(address).status_code == 200
    assert signed_in.post(address, {"view": "top", "words": "wrist low"}).status_code == 302
    still.refresh_from_db()
    assert (still.view, still.words) == ("top", "wrist low")
    assert signed_in.post(address, {"view": "below"}).status_code == 422
    assert b"Wrist low" in signed_in.get(reverse("lessons:take-stills", args=[take.pk])).content


def test_deleted_still_takes_its_files_with_it_and_leaves_the_clip(signed_in, take, django_capture_on_commit_callbacks):
    still = make_still(take)
    with django_capture_on_commit_callbacks(execute=True):
        response = signed_in.post(reverse("lessons:take-still-delete", args=[still.pk]))
    assert response["Location"] == reverse("lessons:take-stills", args=[take.pk])
    assert not still.folder.exists()
    assert take.clip.copy_path.exists()


def test_deleted_clip_takes_its_stills_with_it(take, django_capture_on_commit_callbacks):
    still = make_still(take)
    with django_capture_on_commit_callbacks(execute=True):
        services.delete_clip(take.clip)
    assert not Still.objects.exists()
    assert not still.folder.exists()


# A still as a reference picture ----------------------------------------------------------------------------------------


def test_still_is_kept_as_a_reference_picture_and_both_live_on_their_own(
    signed_in, take, unit, django_capture_on_commit_callbacks
):
    still = make_still(take, words="a good one")
    token = str(uuid.uuid4())
    address = reverse("lessons:take-still-keep", args=[still.pk])
    for _ in range(2):  # pressed twice
        response = signed_in.post(address, {"what": "unit", "token": token})
        assert response["Location"] == reverse("lessons:unit-pictures", args=[unit.pk])
    kept = ReferencePicture.objects.get()
    assert (kept.unit, kept.words, kept.view) == (unit, "a good one", "side")
    with django_capture_on_commit_callbacks(execute=True):
        still.delete()
    assert kept.large_path.exists()


def test_still_is_kept_for_a_skill_that_is_watched(signed_in, take, skill):
    still = make_still(take)
    page = signed_in.get(reverse("lessons:take-still", args=[still.pk])).content.decode()
    assert f"skill:{skill.pk}" in page
    response = signed_in.post(reverse("lessons:take-still-keep", args=[still.pk]), {"what": f"skill:{skill.pk}"})
    assert response["Location"] == reverse("lessons:skill-pictures", args=[skill.pk])
    assert ReferencePicture.objects.get().skill == skill


def test_still_is_kept_only_for_what_its_line_is_about(signed_in, take):
    still = make_still(take)
    other = make_skill(make_learner())
    address = reverse("lessons:take-still-keep", args=[still.pk])
    for what in ("", f"skill:{other.pk}", "piece"):
        assert signed_in.post(address, {"what": what}).status_code == 422
    assert not ReferencePicture.objects.exists()


def test_still_whose_files_are_gone_cannot_be_kept(take, unit):
    still = make_still(take)
    still.large_path.unlink()
    with pytest.raises(ValidationError, match="gone"):
        services.keep_still(still, unit=unit)
    assert not ReferencePicture.objects.exists()


# Whose it is -----------------------------------------------------------------------------------------------------------


def addresses(learner: Learner) -> dict[str, str]:
    """Every address of pictures and stills, for rows of this learner."""
    unit, skill = make_unit(make_book(learner)), make_skill(learner)
    take = make_take(make_assignment(make_lesson(learner), unit=unit))
    picture, still = make_picture(learner, unit=unit), make_still(take)
    names = {
        unit: ["unit-pictures"],
        skill: ["skill-pictures"],
        take: ["take-stills"],
        picture: ["picture", "picture-delete", "picture-large", "picture-small"],
        still: ["take-still", "take-still-keep", "take-still-delete", "take-still-large", "take-still-small"],
    }
    return {name: reverse(f"lessons:{name}", args=[row.pk]) for row, found in names.items() for name in found}


def test_strangers_find_none_of_it(signed_in):
    for name, address in addresses(make_learner()).items():
        assert signed_in.post(address).status_code == 404 or name.endswith(("large", "small")), name
        assert signed_in.get(address).status_code == 404 or name == "take-still-keep", name
    assert ReferencePicture.objects.count() == Still.objects.count() == 1


def test_whoever_is_signed_out_is_asked_to_sign_in(client, learner):
    for address in addresses(learner).values():
        response = client.get(address)
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("login"))
        assert client.post(address).status_code == 302
    assert ReferencePicture.objects.count() == Still.objects.count() == 1


def test_wrong_ways_of_asking_change_nothing(signed_in, learner):
    for name, address in addresses(learner).items():
        assert signed_in.delete(address).status_code == 405, name
        if name.endswith(("large", "small")):
            assert signed_in.post(address).status_code == 405, name
    assert signed_in.get(addresses(make_learner())["unit-pictures"]).status_code == 404
