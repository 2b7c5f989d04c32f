"""The browser copy: upright, in time, playable everywhere, and saying nothing about where it was filmed."""

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from lessons.media import CopyError, CopyLimits, Kind, Probe, ReasonCode, Verdict, make_copy, make_poster, probe
from tests.lessons.media.conftest import Case
from tests.tools import make_clips
from tests.tools.make_clips import CANARY_HZ, CORNERS
from tests.tools.phone_clip import MAKER, PLACE, make_phone_clip

# Largest difference of a corner's colour after two lossy codings and chroma at half size, of 255.
COLOUR_SLACK = 40


def copy_of(path: Path, out_path: Path, **kwargs):
    return make_copy(path, out_path, probe=probe(path), **kwargs)


def decode(path: Path):
    """Times (s) and pictures, times of key pictures, and the sound as (channels, n) with its rate and start."""
    times, frames, keys, sound = [], [], [], []
    start_s = rate_hz = None
    with av.open(str(path)) as container:
        for packet in container.demux():
            for frame in packet.decode():
                if isinstance(frame, av.VideoFrame):
                    times.append(frame.time)
                    frames.append(frame.to_ndarray(format="rgb24"))
                    if frame.key_frame:
                        keys.append(frame.time)
                else:
                    start_s = frame.time if start_s is None else start_s
                    rate_hz = frame.sample_rate
                    sound.append(frame.to_ndarray())
    return times, frames, keys, np.concatenate(sound, axis=1) if sound else None, rate_hz, start_s


def corners(picture):
    height, width = picture.shape[:2]
    dy, dx = height // 5, width // 5
    spots = {
        "tl": picture[:dy, :dx],
        "tr": picture[:dy, -dx:],
        "bl": picture[-dy:, :dx],
        "br": picture[-dy:, -dx:],
    }
    # The inner half of each patch: the outer pixels are mixed with their neighbours'.
    return {
        name: spot[dy // 4 : -dy // 4, dx // 4 : -dx // 4].reshape(-1, 3).mean(axis=0) for name, spot in spots.items()
    }


def clicks_s(sound, rate_hz, start_s):
    """Times of the loud clicks in the first channel."""
    loud = np.flatnonzero(np.abs(sound[0]) > 0.3)
    firsts = loud[np.insert(np.diff(loud) > rate_hz // 10, 0, True)]
    return firsts / rate_hz + start_s


def number_in(picture):
    """The frame number that is drawn into the test picture as sixteen cells."""
    height, width = picture.shape[:2]
    cell = width / 20
    row = picture[int(height * 0.46)].mean(axis=1)
    return sum((row[int((2.5 + bit) * cell)] > 128) << (15 - bit) for bit in range(16))


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_turned_phone_film_stands_upright_in_the_copy(rotation: int, folder: Path) -> None:
    original = make_phone_clip(folder / "IMG_1.mov", seconds=1, rotation=rotation, width=180, height=320)
    made = copy_of(original, folder / "copy.mp4")
    assert (made.width, made.height, made.content_type) == (180, 320, "video/mp4")
    for name, colour in corners(decode(folder / "copy.mp4")[1][-1]).items():
        assert np.abs(colour - CORNERS[name]).max() < COLOUR_SLACK, name
    again = probe(folder / "copy.mp4")
    assert (again.verdict, again.video.rotation_deg, again.video.codec) == (Verdict.ACCEPT, 0, "h264")


def test_copy_says_nothing_about_place_or_maker(folder: Path) -> None:
    original = make_phone_clip(folder / "IMG_1.mov", seconds=1, width=180, height=320)
    assert PLACE.encode() in original.read_bytes()
    assert MAKER.encode() in original.read_bytes()
    copy_of(original, folder / "copy.mp4")
    data = (folder / "copy.mp4").read_bytes()
    assert PLACE[:8].encode() not in data
    assert MAKER.encode() not in data
    with av.open(str(folder / "copy.mp4")) as container:
        assert "location" not in container.metadata
        assert "creation_time" not in container.metadata


def test_copy_keeps_every_picture_and_every_click_at_its_time(case: Callable[[str], Case], folder: Path) -> None:
    made = copy_of(case("mp4_h264_aac").path, folder / "copy.mp4")
    times, frames, keys, sound, rate_hz, start_s = decode(folder / "copy.mp4")
    assert made.frames == len(frames) == 90
    assert [number_in(frame) for frame in frames] == list(range(90))
    assert times == pytest.approx([n / 30 for n in range(90)], abs=0.001)
    assert max(np.diff([*keys, times[-1]])) <= 0.5 + 1 / 30
    assert clicks_s(sound, rate_hz, start_s) == pytest.approx(make_clips.CLAPS, abs=0.002)
    assert made.duration_s == pytest.approx(3.0, abs=0.03)


def test_copy_begins_with_its_index(case: Callable[[str], Case], folder: Path) -> None:
    copy_of(case("mp4_h264_aac").path, folder / "copy.mp4")
    data = (folder / "copy.mp4").read_bytes()
    assert 0 < data.index(b"moov") < data.index(b"mdat")


@pytest.mark.slow
def test_uneven_picture_times_are_kept(case: Callable[[str], Case], folder: Path) -> None:
    film = case("vfr")
    copy_of(film.path, folder / "copy.mp4")
    times, frames, _, sound, rate_hz, start_s = decode(folder / "copy.mp4")
    assert times == pytest.approx(film.truth["video"]["pts"], abs=0.001)
    assert [number_in(frame) for frame in frames] == list(range(len(frames)))
    assert clicks_s(sound, rate_hz, start_s) == pytest.approx(film.truth["claps"], abs=0.002)


@pytest.mark.slow
@pytest.mark.parametrize("case_id", ["audio_late_500ms", "video_late_500ms", "neg_start"])
def test_sound_and_picture_stay_together_when_one_begins_late(
    case_id: str, case: Callable[[str], Case], folder: Path
) -> None:
    film = case(case_id)
    copy_of(film.path, folder / "copy.mp4")
    times, frames, _, sound, rate_hz, start_s = decode(folder / "copy.mp4")
    flashes = [time for time, frame in zip(times, frames, strict=True) if _is_flash(frame)]
    firsts = [time for n, time in enumerate(flashes) if n == 0 or time - flashes[n - 1] > 0.1]
    clicks = clicks_s(sound, rate_hz, start_s)
    assert len(clicks) == len(firsts) == 3
    assert firsts == pytest.approx(list(clicks), abs=1 / 30)


def _is_flash(picture):
    height, width = picture.shape[:2]
    return picture[int(height * 0.28) : int(height * 0.32), int(width * 0.45) : int(width * 0.55)].mean() > 200


@pytest.mark.slow
def test_slow_motion_is_thinned_to_sixty_pictures_a_second(folder: Path) -> None:
    make_clips.clip(folder / "fast.mp4", w=160, h=120, seconds=1, fps=240)
    made = copy_of(folder / "fast.mp4", folder / "copy.mp4")
    times = decode(folder / "copy.mp4")[0]
    assert made.frames == len(times) == 60
    assert times[-1] == pytest.approx(59 / 60, abs=0.01)


@pytest.mark.slow
def test_large_film_is_made_smaller_on_its_short_side(folder: Path) -> None:
    make_clips.clip(folder / "large.mp4", w=1080, h=1920, seconds=0.5, rotate=90)
    made = copy_of(folder / "large.mp4", folder / "copy.mp4")
    assert (made.width, made.height) == (720, 1280)


def test_odd_sizes_become_even(case: Callable[[str], Case], folder: Path) -> None:
    made = copy_of(case("tiny_odd_size").path, folder / "copy.mp4")
    assert (made.width, made.height) == (160, 120)


@pytest.mark.slow
def test_high_dynamic_range_becomes_plain(case: Callable[[str], Case], folder: Path) -> None:
    copy_of(case("hevc_10bit_rot90").path, folder / "copy.mp4")
    with av.open(str(folder / "copy.mp4")) as container:
        frame = next(container.decode(video=0))
        assert (frame.format.name, frame.color_primaries, frame.color_trc, frame.colorspace) == ("yuv420p", 1, 1, 1)
    # Which corner is which can still be told: red, green and blue lead where they should.
    found = corners(frame.to_ndarray(format="rgb24"))
    assert [int(found[name].argmax()) for name in ("tl", "tr", "bl")] == [0, 1, 2]


def test_sound_alone_becomes_a_sound_file_without_poster(case: Callable[[str], Case], folder: Path) -> None:
    made = copy_of(case("aud_mp3").path, folder / "copy.m4a")
    assert (made.content_type, made.frames, made.width, made.has_sound) == ("audio/mp4", 0, None, True)
    _, frames, _, sound, rate_hz, start_s = decode(folder / "copy.m4a")
    assert not frames
    assert clicks_s(sound, rate_hz, start_s) == pytest.approx(make_clips.CLAPS, abs=0.002)
    assert make_poster(folder / "copy.m4a", folder / "poster.jpg") is False
    assert sorted(path.name for path in folder.iterdir()) == ["copy.m4a"]


@pytest.mark.slow
def test_six_channels_are_mixed_below_full_scale(case: Callable[[str], Case], folder: Path) -> None:
    copy_of(case("surround51").path, folder / "copy.mp4")
    sound = decode(folder / "copy.mp4")[3]
    assert sound.shape[0] == 2
    assert 0.3 < np.abs(sound).max() < 1.1


@pytest.mark.slow
def test_opposed_channels_do_not_cancel(case: Callable[[str], Case], folder: Path) -> None:
    copy_of(case("antiphase").path, folder / "copy.mp4")
    _, _, _, sound, rate_hz, start_s = decode(folder / "copy.mp4")
    assert clicks_s(sound, rate_hz, start_s) == pytest.approx(make_clips.CLAPS, abs=0.002)


@pytest.mark.slow
def test_film_without_sound_is_copied_and_says_so(case: Callable[[str], Case], folder: Path) -> None:
    made = copy_of(case("no_audio").path, folder / "copy.mp4")
    assert (made.frames, made.has_sound) == (90, False)


def test_cut_film_is_copied_as_far_as_it_goes(case: Callable[[str], Case], folder: Path) -> None:
    made = copy_of(case("cut_faststart_60").path, folder / "copy.mp4")
    assert made.frames == 52
    assert made.damaged_packets > 0


def test_film_that_names_another_file_is_copied_from_its_own_bytes(case: Callable[[str], Case], folder: Path) -> None:
    copy_of(case("dref_url").path, folder / "copy.m4a")
    sound, rate_hz = decode(folder / "copy.m4a")[3:5]
    strength = np.abs(np.fft.rfft(sound[0]))
    hertz = np.fft.rfftfreq(sound.shape[1], 1 / rate_hz)
    secret = strength[np.abs(hertz - CANARY_HZ) < 5].max()
    own = strength[np.abs(hertz - 440) < 5].max()
    assert secret < own / 100


def test_progress_rises_to_one(case: Callable[[str], Case], folder: Path) -> None:
    told: list[float] = []
    copy_of(case("mp4_h264_aac").path, folder / "copy.mp4", on_progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 20
    assert told[0] < 0.1


def test_caller_who_gives_up_leaves_nothing_behind(case: Callable[[str], Case], folder: Path) -> None:
    def give_up(share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copy_of(case("mp4_h264_aac").path, folder / "copy.mp4", on_progress=give_up)
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (CopyLimits(cpu_base_s=0.01, cpu_frac=0, wall_frac=1), "did not finish in time"),
        (CopyLimits(bytes_base=4000, bytes_s=0), "more than 4000 bytes"),
    ],
)
def test_copy_beyond_its_limits_leaves_the_old_one(
    limits: CopyLimits, words: str, case: Callable[[str], Case], folder: Path
) -> None:
    (folder / "copy.mp4").write_bytes(b"old")
    with pytest.raises(CopyError, match=words) as caught:
        copy_of(case("mp4_h264_aac").path, folder / "copy.mp4", limits=limits)
    assert caught.value.permanent
    assert [path.name for path in folder.iterdir()] == ["copy.mp4"]
    assert (folder / "copy.mp4").read_bytes() == b"old"


def test_copy_of_nothing_decodable_is_an_error(folder: Path) -> None:
    (folder / "clip.mp4").write_bytes(b"no film at all" * 100)
    wrong = Probe(kind=Kind.VIDEO, verdict=Verdict.ACCEPT, reason=ReasonCode.OK, text="", duration_s=1.0)
    with pytest.raises(CopyError):
        make_copy(folder / "clip.mp4", folder / "copy.mp4", probe=wrong)
    assert [path.name for path in folder.iterdir()] == ["clip.mp4"]


def test_pictures_are_not_copied_as_films(case: Callable[[str], Case], folder: Path) -> None:
    with pytest.raises(ValueError, match="kind picture"):
        copy_of(case("gps_jpeg").path, folder / "copy.mp4")


def _film(path: Path, levels: list[int]) -> Path:
    """Write a film of plain grey pictures, thirty a second."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number, level in enumerate(levels):
            frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), level, np.uint8), "rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(
    ("levels", "wanted"),
    [
        ([200] * 20 + [0] * 25 + [120] * 15, 120),  # light, dark at one second, then light
        ([90] + [0] * 59, 90),  # dark from the second picture on: the very first
        ([150] * 10, 150),  # shorter than a second
    ],
)
def test_poster_is_the_first_light_picture_after_a_second(levels: list[int], wanted: int, folder: Path) -> None:
    film = _film(folder / "film.mp4", levels)
    assert make_poster(film, folder / "poster.jpg")
    with Image.open(folder / "poster.jpg") as picture:
        assert picture.format == "JPEG"
        assert np.asarray(picture.convert("L")).mean() == pytest.approx(wanted, abs=8)


def test_poster_is_small_and_upright(folder: Path) -> None:
    original = make_phone_clip(folder / "IMG_1.mov", seconds=1.2, width=360, height=800)
    copy_of(original, folder / "copy.mp4")
    assert make_poster(folder / "copy.mp4", folder / "poster.jpg")
    with Image.open(folder / "poster.jpg") as picture:
        assert picture.size == (288, 640)
        assert not picture.getexif()
