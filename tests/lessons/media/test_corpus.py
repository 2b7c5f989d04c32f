"""Every file of the corpus gets its verdict, within time and memory, touching nothing but itself."""

import json
import os
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from lessons.media import Probe, ReasonCode, Verdict, box, probe, probing
from lessons.media.inside.opening import BROKEN, opened
from tests.lessons.media.conftest import Case
from tests.tools import make_clips

MOST_BYTES = 400_000_000
MOST_CPU_S = 30

# Real files, small ones, of every container and codec that is taken.
GOOD = [
    case_id
    for case_id, (_, expect, *_rest) in make_clips.REGISTRY.items()
    if expect == "accept"
    and case_id.startswith(
        ("mp4_", "rot_", "hevc_", "vfr", "webm_", "mkv_", "threegp", "two_", "mono", "surround", "aud_")
    )
]
HOSTILE = [
    case_id
    for case_id in make_clips.REGISTRY
    if case_id.startswith(("hls", "concat", "sdp", "dash", "ffmeta", "rtsp", "asx", "dref", "avi_"))
]

# What the learner is told, where the corpus leaves no doubt.
REASONS = {
    "case_id": "reason",
    "mp4_h264_aac": "ok",
    "webm_vp8_live": "ok",
    "cut_moovend_60": "index_missing",
    "cut_faststart_60": "cut_short",
    "cut_frag_60": "cut_short",
    "cut_webm_60": "cut_short",
    "no_audio": "no_sound",
    "silent": "silent",
    "one_frame": "one_picture",
    "empty": "empty",
    "text": "not_media",
    "png_as_mp4": "picture_named_as_clip",
    "hls_local_mp4": "points_elsewhere",
    "dref_alias": "nothing_decoded",
    "real_16k_png": "frame_too_large",
    "flac_silence_4h": "too_long",
    "bomb_png": "picture_too_large",
    "cut_jpeg": "picture_broken",
    "tiff_plain": "picture_format",
    "one_pixel": "picture_too_small",
    "gps_jpeg": "ok",
}
QUICK = ("mp4_h264_aac", "cut_moovend_60", "cut_faststart_60", "no_audio", "empty", "text", "hls_local_mp4", "gps_jpeg")


@pytest.fixture
def reports(monkeypatch: pytest.MonkeyPatch) -> list[box.BoxReport]:
    """What each box used, kept aside."""
    kept: list[box.BoxReport] = []

    def run_boxed(*args, **kwargs):
        kept.append(box.run_boxed(*args, **kwargs))
        return kept[-1]

    monkeypatch.setattr(probing, "run_boxed", run_boxed)
    return kept


@pytest.mark.slow
@pytest.mark.parametrize("case_id", make_clips.REGISTRY)
def test_every_file_of_the_corpus_gets_its_verdict(
    case_id: str, case: Callable[[str], Case], reports: list[box.BoxReport]
) -> None:
    wanted = case(case_id)
    found = probe(wanted.path)
    if wanted.truth["expect"] != "any":
        assert found.verdict == wanted.truth["expect"], found
    assert found.reason == REASONS.get(case_id, found.reason)
    assert found.reason is not ReasonCode.READER_BROKE
    assert reports[0].peak_bytes < MOST_BYTES
    assert reports[0].cpu_s < MOST_CPU_S


@pytest.mark.parametrize("case_id", [*QUICK])
def test_the_reason_says_what_is_wrong(case_id: str, case: Callable[[str], Case]) -> None:
    assert probe(case(case_id).path).reason == REASONS[case_id]


def test_hostile_files_reach_no_secret_and_no_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[str] = []
    with _listener(calls) as port:
        monkeypatch.setattr(make_clips, "CANARY_PORT", port)
        index, failed = make_clips.build(tmp_path, HOSTILE)
        assert not failed
        assert len(index) == len(HOSTILE)
        found = {case_id: probe(tmp_path / row["file"]) for case_id, row in index.items()}
    assert not calls
    taken = {case_id for case_id, answer in found.items() if answer.verdict is not Verdict.REJECT}
    assert taken <= {"dref_url"}  # it decodes its own bytes: the copy's test listens to them


@pytest.mark.parametrize("case_id", [case_id for case_id in HOSTILE if not case_id.startswith("dref")])
def test_lists_are_refused_by_the_reader_itself_when_the_first_bytes_do_not_give_them_away(
    case_id: str, case: Callable[[str], Case]
) -> None:
    fd = os.open(case(case_id).path, os.O_RDONLY)
    try:
        with pytest.raises(BROKEN), opened(fd, max_streams=16):
            pass
    finally:
        os.close(fd)


class _listener:  # noqa: N801 - reads as a verb where it is used
    """Takes connections on a free loopback port and notes them."""

    def __init__(self, calls: list[str]) -> None:
        self._calls = calls
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._take, daemon=True)

    def _take(self) -> None:
        while True:
            try:
                connection, address = self._socket.accept()
            except OSError:
                return
            self._calls.append(str(address))
            connection.close()

    def __enter__(self) -> int:
        self._thread.start()
        return self._socket.getsockname()[1]

    def __exit__(self, *_: object) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()


@pytest.mark.slow
@pytest.mark.parametrize("case_id", GOOD)
def test_facts_agree_with_an_independent_reader(case_id: str, case: Callable[[str], Case]) -> None:
    path = case(case_id).path
    found = probe(path)
    told = json.loads(
        subprocess.run(
            ["ffprobe", "-v", "error", "-of", "json", "-show_streams", "-show_format", path],
            check=True,
            capture_output=True,
            timeout=60,
        ).stdout
    )
    video = next((stream for stream in told["streams"] if stream["codec_type"] == "video"), None)
    audio = next((stream for stream in told["streams"] if stream["codec_type"] == "audio"), None)
    assert _video_of(found) == (None if video is None else _video_told(video))
    assert found.audio is not None
    assert (found.audio.channels, found.audio.rate_hz, found.audio.codec) == (
        audio["channels"],
        int(audio["sample_rate"]),
        audio["codec_name"],
    )
    # Recordings made while streaming and bare AAC carry no length: the other reader says nothing, or guesses.
    if "duration" in told["format"] and case_id not in ("aud_adts", "aud_amr"):
        assert found.duration_s == pytest.approx(float(told["format"]["duration"]), abs=0.1)


def _video_of(found: Probe) -> tuple[int, int, int, str] | None:
    video = found.video
    return None if video is None else (video.width, video.height, video.rotation_deg, video.codec)


def _video_told(stream: dict) -> tuple[int, int, int, str]:
    turns = [side["rotation"] for side in stream.get("side_data_list", []) if "rotation" in side]
    clockwise_deg = -int(turns[0]) % 360 if turns else 0
    size = stream["width"], stream["height"]
    if clockwise_deg in (90, 270):
        size = size[::-1]
    return *size, clockwise_deg, stream["codec_name"]


@pytest.fixture(autouse=True)
def _no_stray_children() -> Iterator[None]:
    yield
    children = Path(f"/proc/self/task/{threading.get_native_id()}/children")
    if children.exists():
        names = [Path(f"/proc/{pid}/cmdline").read_bytes() for pid in children.read_text().split()]
        assert not [name for name in names if b"lessons.media" in name]
