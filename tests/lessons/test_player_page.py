"""Finding one's way in a clip: the outline of its sound, small pictures, the list of pictures, what a MIDI file holds."""

import numpy as np
import pytest

from lessons.models import Clip
from lessons.views.drawing import MOST_PICTURES, OUTLINE_HEIGHT, WIDTH, small_pictures, sound_outline
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take

STRIP = {
    "count": 25,
    "columns": 10,
    "rows": 3,
    "tile_width": 160,
    "tile_height": 90,
    "every_s": 1.0,
    "times_s": [float(number) for number in range(25)],
}


def points(path):
    return [tuple(map(float, pair.split())) for pair in path.strip("MZ").split("L")]


def test_outline_is_as_wide_as_the_drawing_and_loudest_where_the_sound_is():
    peaks = np.zeros((1000, 2), np.int8)
    peaks[500] = (-40, 60)
    drawn = points(sound_outline(peaks.tobytes()))
    assert len(drawn) == 2 * WIDTH
    assert min(drawn, key=lambda point: point[1])[0] == pytest.approx(WIDTH / 2, abs=1)
    assert min(y for _, y in drawn) == 0
    assert max(y for _, y in drawn) == pytest.approx(OUTLINE_HEIGHT / 2 * (1 + 40 / 60), abs=0.1)
    assert all(0 <= x <= WIDTH for x, _ in drawn)


def test_outline_of_short_sound_and_of_silence_is_a_shape_all_the_same():
    assert len(points(sound_outline(bytes(6)))) == 6
    assert {y for _, y in points(sound_outline(bytes(2000)))} == {27.2, 28.8}
    assert sound_outline(b"") == sound_outline(b"\x01") == ""


def test_quiet_sound_is_drawn_as_large_as_a_loud_one_but_the_room_alone_is_not():
    loud, quiet = (np.full((10, 2), level, np.int8) for level in (120, 12))
    room = np.ones((10, 2), np.int8)
    top = [min(y for _, y in points(sound_outline(each.tobytes()))) for each in (loud, quiet, room)]
    assert top == [0.0, 0.0, 21.0]


def test_small_pictures_are_spread_evenly_and_lie_on_the_sheet():
    sheet = small_pictures(STRIP)
    assert [tile.at_s for tile in sheet.tiles] == [0, 3, 7, 10, 14, 17, 21, 24]
    assert len(sheet.tiles) == MOST_PICTURES
    assert (sheet.tiles[-1].x, sheet.tiles[-1].y) == (640, 180)
    assert (sheet.width, sheet.height) == (1600, 270)
    assert len(small_pictures(STRIP | {"count": 3}).tiles) == 3


@pytest.mark.parametrize("strip", [{}, STRIP | {"count": 1}])
def test_one_picture_alone_leads_nowhere(strip):
    assert small_pictures(strip) is None


@pytest.fixture
def clip(client, settings, tmp_path, db):
    settings.KEYSLIP_DATA = tmp_path
    learner = make_learner()
    client.force_login(learner)
    clip = make_clip(
        make_lesson(learner), content=b"film", has_peaks=True, has_frames=True, has_strip=True, strip=STRIP
    )
    clip.peaks_path.write_bytes(bytes(2000))
    clip.frames_path.write_text('{"schema":1,"times_s":[0.0]}')
    clip.strip_path.write_bytes(b"jpeg")
    return clip


def page_of(client, clip, **asked):
    return client.get(f"/clips/{clip.pk}/", asked).content.decode()


def test_page_of_a_clip_has_an_outline_small_pictures_and_steps(client, clip):
    text = page_of(client, clip)
    assert 'aria-label="Place in the clip"' in text
    assert text.count("data-seek-to") == 8
    assert f'data-frames="/clips/{clip.pk}/frames/"' in text
    assert "One picture back" in text


def test_small_picture_leads_to_its_moment_without_scripts(client, clip):
    assert f'href="/clips/{clip.pk}/?at=0:03.0"' in page_of(client, clip)
    assert f"/clips/{clip.pk}/copy/#t=3.00" in page_of(client, clip, at="0:03.0")
    for wrong in ("9:00.0", "x", "-1"):
        assert "#t=" not in page_of(client, clip, at=wrong)


def test_clip_without_drawings_has_only_its_player(client, clip):
    Clip.objects.filter(pk=clip.pk).update(has_peaks=False, has_frames=False, has_strip=False)
    text = page_of(client, clip)
    assert "data-clip" in text
    assert "data-seek" not in text
    assert "data-frames" not in text


def test_outline_whose_file_is_gone_is_left_out(client, clip):
    clip.peaks_path.unlink()
    assert 'aria-label="Place in the clip"' not in page_of(client, clip)


@pytest.mark.parametrize(("name", "kind"), [("frames", "application/json"), ("pictures", "image/jpeg")])
def test_list_and_sheet_are_served_to_their_owner_alone(client, clip, name, kind):
    address = f"/clips/{clip.pk}/{name}/"
    answer = client.get(address)
    assert (answer.status_code, answer["Content-Type"], answer["X-Content-Type-Options"]) == (200, kind, "nosniff")
    answer.close()
    assert client.post(address).status_code == 405
    client.force_login(make_learner())
    assert client.get(address).status_code == 404
    client.logout()
    assert client.get(address).status_code == 302


@pytest.mark.parametrize("name", ["frames", "pictures"])
def test_list_and_sheet_that_were_not_made_are_not_found(client, clip, name):
    Clip.objects.filter(pk=clip.pk).update(has_frames=False, has_strip=False)
    assert client.get(f"/clips/{clip.pk}/{name}/").status_code == 404


def test_page_of_a_midi_clip_says_what_it_holds_and_that_it_stays(client, clip):
    Clip.objects.filter(pk=clip.pk).update(
        kind=Clip.Kind.MIDI, has_copy=False, duration_s=20.0, facts={"midi": {"notes": 42, "tracks": 2}}
    )
    text = page_of(client, clip)
    assert "0:20.0, MIDI, 42 notes in 2 tracks" in text
    assert "It is small, and it says what was played. It stays." in text
    assert "Set the take" in text


def test_take_of_a_film_leads_to_its_stills_where_pictures_are_stepped_through(client, clip):
    take = make_take(make_assignment(clip.lesson), clip=clip)
    address = f"/takes/{take.pk}/stills/"
    assert f'href="{address}"' in page_of(client, clip)
    stills = client.get(address).content.decode()
    assert "data-stepping" in stills
    assert "js/stepping" in stills
    Clip.objects.filter(pk=clip.pk).update(kind=Clip.Kind.SOUND)
    assert f'href="{address}"' not in page_of(client, clip)


def test_page_of_stills_says_what_they_are_taken_from(client, clip):
    address = f"/takes/{make_take(make_assignment(clip.lesson), clip=clip).pk}/stills/"
    assert "taken from the film as it came" in client.get(address).content.decode()
    Clip.objects.filter(pk=clip.pk).update(original_gone_on="2026-11-24")
    assert "Only the copy of this film is left" in client.get(address).content.decode()
