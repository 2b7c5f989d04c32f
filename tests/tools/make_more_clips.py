#!/usr/bin/env python3
"""Make a second corpus: the same kinds of files as `make_clips`, by other containers, codecs, sizes, faults and names.

    python -m tests.tools.make_more_clips OUTDIR [--only GLOB ...]
    python -m tests.tools.make_more_clips --list

The product was made with the first corpus in view. This one tells whether it learnt the rules or the files. Pictures, sound and truth are
as described in `make_clips`; times in ``claps`` count from the common zero.
"""

import gzip
import io
import os
import plistlib
import random
import sqlite3
import struct
import sys
import tarfile
import wave
import zipfile
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from PIL import Image

from tests.tools import make_clips
from tests.tools.make_clips import box, canary, clip, find, gps_exif, picture, png_bytes, sound

os.environ.setdefault("SVT_LOG", "1")  # errors only: this encoder talks past the library's own log

REGISTRY: dict[str, tuple] = {}

QUICK_264 = {"preset": "veryfast", "crf": "30"}
QUICK_265 = {"preset": "ultrafast", "x265-params": "log-level=none"}
QUICK_VP = {"deadline": "realtime", "cpu-used": "8"}
QUICK_AV1 = {"preset": "12", "svtav1-params": "lp=1"}
CLAPS = (0.4, 1.3, 1.9)
SECONDS = 2.4

# What Opus puts in front of the sound, and what stays in the times where no edit list says to leave it out.
OPUS_START_S = 312 / 48_000


def case(case_id: str, filename: str, expect: str, hazard: str) -> Callable[[Any], Any]:
    """Register a maker, as in `make_clips`."""

    def deco(make: Any) -> Any:
        REGISTRY[case_id] = (filename, expect, hazard, "", make)
        return make

    return deco


def film(case_id: str, filename: str, hazard: str, expect: str = "accept", /, **recipe: Any) -> None:
    """Register a film that is made by one recipe."""

    @case(case_id, filename, expect, hazard)
    def _(path: Path) -> dict:
        return _clip(path, **recipe)


def _clip(path: Path, *, audio_shift: float = 0.0, **recipe: Any) -> dict:
    truth = clip(path, **({"claps": CLAPS, "seconds": SECONDS} | recipe))
    if truth.get("video", {}).get("fps"):
        truth["video"]["fps"] = float(truth["video"]["fps"])
    return truth | {"audio_shift": audio_shift}


def raw(case_id: str, filename: str, hazard: str, content: Any, expect: str = "reject") -> None:
    """Register bytes."""

    @case(case_id, filename, expect, hazard)
    def _(path: Path) -> dict:
        path.write_bytes(content() if callable(content) else content)
        return {"kind": "not-media"}


def changed(
    case_id: str, filename: str, hazard: str, expect: str, change: Callable[[bytearray], bytes], /, **recipe: Any
) -> None:
    """Register a film whose bytes are changed after it was made."""

    @case(case_id, filename, expect, hazard)
    def _(path: Path) -> dict:
        truth = _clip(path, **recipe)
        path.write_bytes(change(bytearray(path.read_bytes())))
        return truth


# ---------------------------------------------------------------- films
film("baseline_mono", "Clip 1 (copy).m4v", "spaces and brackets in the name", w=480, h=270, fps=25, rate=44100, layout="mono",
     vopts=QUICK_264 | {"profile": "baseline"}, fmt="mp4")  # fmt: skip
film("ntsc", "ntsc;rm -rf.mov", "29.97 pictures a second", fps=Fraction(30000, 1001), opts={"movflags": "faststart"})
film("slow_motion", "slow.mov", "120 pictures a second", fps=120, seconds=2.1, w=160, h=120, gop=60)
film("cinema", "--help.mp4", "24 pictures a second, name like an option", fps=24, w=384, h=160, rate=32000)
film("mjpeg_pcm", "camera.mov", "a compact camera's motion JPEG with plain samples", vcodec="mjpeg", pix="yuvj420p", acodec="pcm_s16be", rate=44100, layout="mono", vopts={})  # fmt: skip
film("mpeg4_mp3", "old.mp4", "an older phone's codec with MP3", vcodec="mpeg4", acodec="libmp3lame", rate=44100, asize=1152, vopts={})  # fmt: skip
film("mpeg4_aac_3gp", "old.3gp", "an older phone's container", vcodec="mpeg4", rate=16000, layout="mono", w=352, h=288, vopts={}, fmt="3gp")  # fmt: skip
film("hevc_pq_rot270", "hdr'\".mov", "10 bit, PQ, turned", vcodec="libx265", pix="yuv420p10le", tag="hvc1", rotate=270, w=180, h=320,
     vopts=QUICK_265 | {"x265-params": "log-level=none:colorprim=bt2020:transfer=smpte2084:colormatrix=bt2020nc"})  # fmt: skip
film("hevc_mkv_flac", "hevc.mkv", "sound without loss beside HEVC", vcodec="libx265", acodec="flac", asize=4096, vopts=QUICK_265)  # fmt: skip
film("av1_mp4_opus", "av1.mp4", "newest codec, Opus inside MP4", vcodec="libsvtav1", acodec="libopus", vopts=QUICK_AV1)
film("av1_webm_live", "av1.webm", "newest codec as a browser records it", vcodec="libsvtav1", acodec="libopus", vopts=QUICK_AV1, fmt="webm", opts={"live": "1"})  # fmt: skip
film("vp9_mp4", "vp9.mp4", "VP9 inside MP4", vcodec="libvpx-vp9", acodec="libopus", vopts=QUICK_VP)
film("vp8_mono_live", "vp8.webm", "a browser's recording with one channel", vcodec="libvpx", acodec="libopus", layout="mono", vopts=QUICK_VP, fmt="webm", opts={"live": "1"}, w=176, h=144, fps=15)  # fmt: skip
film("h264_opus_mkv_live", "recording.x-matroska", "a browser's H.264 in Matroska, name nobody knows", acodec="libopus", fmt="matroska", opts={"live": "1"})  # fmt: skip
film("mkv_pcm24", "lossless.mkv", "24-bit samples", acodec="pcm_s24le")
film("mov_alac", "alac.mov", "lossless sound in MOV", acodec="alac", asize=4096, rate=44100)
film("frag_opus", "frag_opus.mp4", "fragments, as a browser records MP4 with Opus", acodec="libopus", vopts=QUICK_264 | {"bf": "0"}, opts={"movflags": "frag_keyframe+empty_moov+default_base_moof"}, audio_shift=OPUS_START_S)  # fmt: skip
film("frag_dash", "frag_dash.mp4", "fragments with their own index", gop=15, vopts=QUICK_264 | {"bf": "0"}, opts={"movflags": "dash+delay_moov+frag_keyframe", "frag_duration": "400000"})  # fmt: skip
film("frag_each", "frag_each.mp4", "a fragment every tenth of a second", vopts=QUICK_264 | {"bf": "0"}, opts={"movflags": "delay_moov+default_base_moof", "frag_duration": "100000"})  # fmt: skip
film(
    "odd_rot90", "odd\nline.mp4", "odd sides, turned; a line break in the name", w=121, h=163, rotate=90, pix="yuv444p"
)
film("tall", "tall.mp4", "taller than wide without turning", w=144, h=320)
film("wide_strip", "strip.mp4", "twenty times as wide as high", w=1280, h=64)
film("sixteen_px", "tiny.mp4", "sixteen pixels", "any", w=32, h=32, claps=())
film(
    "audio_late_3s",
    "late3.mp4",
    "sound begins three seconds late",
    a_offset=3.0,
    aseconds=1.0,
    seconds=4.0,
    claps=(0.5, 3.5),
)
film("audio_early_mkv", "early.mkv", "picture begins a second after the sound", v_offset=1.0, aseconds=3.4, claps=(1.3, 2.9))  # fmt: skip
film("short_sound", "short_sound.mp4", "sound stops half-way", aseconds=1.2, claps=(0.4, 0.9))
film("sound_quad", "quad.mkv", "four channels", layout="quad", acodec="pcm_s16le")
film("surround_side", "side.mkv", "six channels, two at the sides", layout="5.1(side)", acodec="flac", asize=4096)
film("ac3_mkv", "ac3.mkv", "sound of a kind that is not read", "partial", acodec="ac3", rate=48000, asize=1536)
film("prores", "prores.mov", "a film camera's codec", "reject", vcodec="prores_ks", pix="yuv422p10le", vopts={}, acodec="pcm_s16le", w=160, h=120)  # fmt: skip
film("mpegts", "broadcast.mts", "a camcorder's container", "any", fmt="mpegts")
film("avi", "old.avi", "a container without times", "any", vcodec="mpeg4", acodec="pcm_s16le", vopts={})
film("quiet", "quiet.mp4", "very soft, yet not silent", amix=lambda a: a * 0.004, claps=())
film("hour_of_nothing", "long.m4a", "longer than is taken", "limit", video=False, fmt="ipod", seconds=3700.0, claps=(), rate=8000, layout="mono", amix=lambda a: a * 0)  # fmt: skip


@case("jumping_clock", "jump.mkv", "any", "time stamps that jump by ten minutes half-way")
def _(path: Path) -> dict:
    times = [n / 30 for n in range(30)] + [600 + n / 30 for n in range(30)]
    return clip(path, vpts=times, acodec=None, claps=())


@case("backward_clock", "dim.mp4", "accept", "a rate that changes between 7 and 30 pictures a second")
def _(path: Path) -> dict:
    chance = random.Random(21)
    times, at_s = [], 0.0
    while at_s < 4.0:
        times.append(round(at_s * 90000) / 90000)
        at_s += chance.choice((1 / 30, 1 / 24, 1 / 15, 1 / 7))
    truth = clip(path, vpts=times, seconds=4.0, claps=(0.5, 2.0, 3.2), vopts=QUICK_264 | {"bf": "0"})
    truth["video"]["pts"] = times
    return truth


def _edited(data: bytearray) -> bytes:
    """Move the beginning of every track by half a second, as a phone's trimming does without coding again."""
    for offset, _ in find(data, "mdhd"):
        ticks_s = struct.unpack(">I", data[offset + 20 : offset + 24])[0]
        at = data.index(b"elst", offset - 400 if offset > 400 else 0)
        start = struct.unpack(">i", data[at + 16 : at + 20])[0]
        data[at + 16 : at + 20] = struct.pack(">i", start + ticks_s // 2)
    return bytes(data)


@case("trimmed", "trimmed.mov", "accept", "an edit list that hides the first half second")
def _(path: Path) -> dict:
    truth = clip(path, claps=(0.9, 1.5), seconds=SECONDS, vopts=QUICK_264 | {"bf": "0"}, gop=15)
    data = bytearray(path.read_bytes())
    mdhd = find(data, "mdhd")
    for (offset, _), (at, _) in zip(mdhd, find(data, "elst"), strict=True):
        ticks_s = struct.unpack(">I", data[offset + 20 : offset + 24])[0]
        movie_ticks_s = struct.unpack(">I", data[find(data, "mvhd")[0][0] + 20 :][:4])[0]
        length, start = struct.unpack(">Ii", data[at + 16 : at + 24])
        data[at + 16 : at + 24] = struct.pack(">Ii", length - movie_ticks_s // 2, start + ticks_s // 2)
    path.write_bytes(data)
    return truth | {"claps": [0.4, 1.0], "is_trimmed": True}


def _sensor_track(data: bytearray) -> bytes:
    """Make the second sound track one of motion data, as phones add."""
    offset, size = find(data, "stsd")[-1]
    data[offset + 20 : offset + 24] = b"mebx"
    for name in (b"wave", b"esds"):
        at = data.find(name, offset, offset + size)
        if at > 0:
            data[at : at + 4] = b"free"
    at = find(data, "mdia", "hdlr")[-1][0]
    data[at + 16 : at + 20] = b"meta"
    return bytes(data)


changed("sensor_track", "sensors.mov", "a track of motion data", "accept", _sensor_track, atracks=2)


def _locked(data: bytearray) -> bytes:
    """Say that the picture is encrypted."""
    at = data.index(b"avc1", find(data, "stsd")[0][0])
    data[at : at + 4] = b"encv"
    return bytes(data)


changed("locked", "locked.mp4", "bought film: encrypted picture, plain sound", "any", _locked)
changed("behind_junk", "behind_junk.mp4", "unknown boxes in front of everything", "any",
        lambda data: box("skip", bytes(3000)) + box("uuid", bytes(range(16)), b"x" * 50) + bytes(data), fmt="mp4", opts={"movflags": "frag_keyframe+empty_moov+default_base_moof"}, vopts=QUICK_264 | {"bf": "0"})  # fmt: skip
changed("zero_tail", "zero_tail.mp4", "a tail of zeros that a phone had set aside", "any", lambda data: bytes(data) + bytes(300_000))  # fmt: skip
changed("no_ftyp", "no_ftyp.mov", "an old film without its first box", "accept",
        lambda data: struct.pack(">I4s", struct.unpack(">I", data[:4])[0], b"wide") + bytes(data[8:]), fmt="mov")  # fmt: skip
changed(
    "html_tail", "tail.mkv", "script behind a film", "accept", lambda data: bytes(data) + b"<script>alert(1)</script>"
)

# ---------------------------------------------------------------- sound
film("snd_s32", "s32.wav", "32-bit samples", video=False, acodec="pcm_s32le")
film("snd_f64", "f64.wav", "64-bit floats", video=False, acodec="pcm_f64le", rate=44100)
film("snd_alaw", "alaw.wav", "telephone samples", video=False, acodec="pcm_alaw", rate=16000, layout="mono")
film("snd_mulaw", "mulaw.wav", "telephone samples", video=False, acodec="pcm_mulaw", rate=11025, layout="mono")
film(
    "snd_rf64",
    "rf64.wav",
    "a recorder's header for long files",
    video=False,
    acodec="pcm_s16le",
    opts={"rf64": "always"},
)
film("snd_bext", "bext.wav", "a recorder's header with its own chunk", video=False, acodec="pcm_s24le", opts={"write_bext": "1"}, meta={"originator": "Testmaker"})  # fmt: skip
film("snd_6ch_wav", "six.wav", "six channels of plain samples", video=False, acodec="pcm_s16le", layout="5.1")
film("snd_192k", "fast.flac", "192 kHz", video=False, acodec="flac", rate=192000, asize=4096)
film("snd_flac_mono", "mono.flac", "22 kHz mono", video=False, acodec="flac", rate=22050, layout="mono", asize=4096)
film("snd_ogg_flac", "flac.ogg", "FLAC inside Ogg", video=False, acodec="flac", fmt="ogg", asize=4096)
film("snd_opus_mono", "voice.opus", "one channel of Opus", video=False, acodec="libopus", layout="mono", fmt="ogg")
film("snd_opus_webm", "sound.webm", "a browser's recording of sound alone", video=False, acodec="libopus", fmt="webm", opts={"live": "1"})  # fmt: skip
film("snd_frag_aac", "sound.mp4", "fragments of sound alone, as a browser records", video=False, fmt="mp4", opts={"movflags": "frag_keyframe+delay_moov+default_base_moof", "frag_duration": "500000"})  # fmt: skip
film("snd_mp3_mono", "mono.mp3", "22 kHz MP3", video=False, acodec="libmp3lame", rate=22050, layout="mono", asize=576)
film("snd_mp3_no_head", "nohead.mp3", "no header that tells the length", "any", video=False, acodec="libmp3lame", opts={"write_xing": "0"}, rate=44100)  # fmt: skip
film("snd_adts_mono", "mono.aac", "bare AAC at 22 kHz", video=False, fmt="adts", rate=22050, layout="mono")
film("snd_caf_pcm", "plain.caf", "plain samples in another box", video=False, acodec="pcm_s16be", fmt="caf", rate=44100)
film("snd_m4a_alac", "alac.m4a", "lossless", video=False, acodec="alac", fmt="ipod", asize=4096, rate=48000)
film("snd_mka", "sound.mka", "Matroska of sound alone", video=False, acodec="libopus", fmt="matroska")
film("snd_aiff", "sound.aiff", "a container that is not read", "any", video=False, acodec="pcm_s16be", fmt="aiff")
film("snd_amr_3gp", "memo.3gp", "a voice memo", video=False, acodec="libopencore_amrnb", rate=8000, layout="mono", fmt="3gp", claps=())  # fmt: skip


@case("snd_tagged", "tagged.mp3", "accept", "two megabytes of tags and a cover in front of the sound")
def _(path: Path) -> dict:
    truth = clip(
        path, video=False, acodec="libmp3lame", rate=44100, seconds=SECONDS, claps=CLAPS, opts={"id3v2_version": "0"}
    )
    cover = io.BytesIO()
    Image.fromarray(np.random.default_rng(3).integers(0, 255, (900, 900, 3), dtype=np.uint8)).save(
        cover, "JPEG", quality=95
    )
    body = b"\0image/jpeg\0\x03\0" + cover.getvalue()
    frame = b"APIC" + struct.pack(">I", len(body)) + b"\0\0" + body
    size = len(frame) + 50_000
    head = b"ID3\x03\0\0" + bytes(size >> shift & 0x7F for shift in (21, 14, 7, 0))
    path.write_bytes(head + frame + bytes(50_000) + path.read_bytes())
    return truth


@case("snd_stereo_turns_mono", "turns.aac", "any", "two channels become one half-way")
def _(path: Path) -> dict:
    clip(path, video=False, fmt="adts", seconds=1.0, claps=())
    first = path.read_bytes()
    truth = clip(path, video=False, fmt="adts", seconds=1.0, claps=(), layout="mono", rate=44100)
    path.write_bytes(first + path.read_bytes())
    return truth


# ---------------------------------------------------------------- damaged
CUTTABLE: dict[str, tuple[str, str, dict]] = {
    "mkv": ("cut.mkv", "partial", {}),
    "frag_opus": ("cut.mp4", "partial", {"acodec": "libopus", "vopts": QUICK_264 | {"bf": "0"}, "opts": {"movflags": "frag_keyframe+empty_moov+default_base_moof", "frag_duration": "200000"}, "audio_shift": OPUS_START_S}),
    "wav": ("cut.wav", "partial", {"video": False, "acodec": "pcm_s24le"}),
    "flac": ("cut.flac", "any", {"video": False, "acodec": "flac", "asize": 4096}),
    "ogg": ("cut.opus", "any", {"video": False, "acodec": "libopus", "fmt": "ogg"}),
    "mp3": ("cut.mp3", "any", {"video": False, "acodec": "libmp3lame", "rate": 44100}),
    "m4a": ("cut.m4a", "reject", {"video": False, "fmt": "ipod"}),
}  # fmt: skip
for _name, (_file, _expect, _recipe) in CUTTABLE.items():
    for _percent in (12, 47, 88):
        changed(f"cut_{_name}_{_percent}", f"{_percent} {_file}", "cut short", _expect if _percent > 12 else "any",
                lambda data, percent=_percent: bytes(data[: len(data) * percent // 100]), **_recipe)  # fmt: skip


def _hole(data: bytearray) -> bytes:
    """Leave zeros where a transfer skipped a stretch."""
    at = len(data) * 2 // 5
    data[at : at + len(data) // 5] = bytes(len(data) // 5)
    return bytes(data)


changed("hole_mp4", "hole.mp4", "a stretch of zeros", "partial", _hole, opts={"movflags": "faststart"}, claps=(0.4,))
changed("hole_webm", "hole.webm", "a stretch of zeros", "any", _hole, vcodec="libvpx", acodec="libopus", vopts=QUICK_VP, fmt="webm")  # fmt: skip
changed("hole_wav", "hole.wav", "a stretch of zeros is a pause", "accept", _hole, video=False, acodec="pcm_s16le", claps=(0.4, 2.0))  # fmt: skip
changed("headless", "headless.mp4", "the first four kilobytes are missing", "reject", lambda data: bytes(data[4096:]))
changed("text_mode", "textmode.mp4", "sent as text: every line end doubled", "any", lambda data: bytes(data).replace(b"\n", b"\r\n"))  # fmt: skip
changed("twice", "twice.mp4", "the same film twice in one file", "any", lambda data: bytes(data) * 2, opts={"movflags": "faststart"})  # fmt: skip
for _seed in range(31, 37):

    def _shot(data: bytearray, seed: int = _seed) -> bytes:
        chance = random.Random(seed)
        for _ in range(60):
            data[chance.randrange(len(data))] = chance.randrange(256)
        return bytes(data)

    _kind = _seed % 3
    changed(f"shot_{_seed}", f"shot{_seed}.{('mkv', 'mov', 'webm')[_kind]}", "sixty wrong bytes anywhere", "any", _shot,
            **({}, {"vcodec": "libx265", "tag": "hvc1", "vopts": QUICK_265}, {"vcodec": "libvpx", "acodec": "libopus", "vopts": QUICK_VP, "fmt": "webm"})[_kind])  # fmt: skip

# ---------------------------------------------------------------- absurd


def _field(name: str, at: int, value: bytes) -> Callable[[bytearray], bytes]:
    def change(data: bytearray) -> bytes:
        for offset, _ in find(data, name):
            data[offset + 8 + at : offset + 8 + at + len(value)] = value
        return bytes(data)

    return change


FULL = b"\xff\xff\xff\xff"
changed("movie_scale_0", "scale0.mp4", "no ticks in a second", "any", _field("mvhd", 12, bytes(4)))
changed("media_scale_0", "mscale0.mp4", "no ticks in a second of each track", "any", _field("mdhd", 12, bytes(4)))
changed("media_scale_max", "mscalemax.mp4", "four thousand million ticks a second", "any", _field("mdhd", 12, FULL))
changed("step_0", "step0.mp4", "all pictures at one time", "any", _field("stts", 12, bytes(4)))
changed("step_max", "stepmax.mp4", "days between two pictures", "any", _field("stts", 12, b"\x7f\xff\xff\xff"))
changed("stts_count", "sttscount.mp4", "four thousand million entries promised", "any", _field("stts", 4, FULL))
changed("stsz_count", "stszcount.mp4", "four thousand million samples promised", "any", _field("stsz", 8, FULL))
changed("stsz_size", "stszsize.mp4", "every sample four gigabytes long", "any", _field("stsz", 4, FULL))
changed("stco_far", "stcofar.mp4", "all data beyond the end", "any", _field("stco", 8, b"\x7f\xff\xff\xff"))
changed("stsc_wild", "stscwild.mp4", "chunks of absurd size", "any", _field("stsc", 12, FULL))
changed("edit_rate", "editrate.mp4", "an edit list that plays backwards", "any", _field("elst", 16, b"\xff\xff\0\0"))
changed("channels_max", "channels.mov", "65,535 channels", "any",
        lambda data: bytes(data[: (at := data.index(b"sowt")) + 20]) + b"\xff\xff" + bytes(data[at + 22 :]), video=False, acodec="pcm_s16le", fmt="mov")  # fmt: skip


def _nested(depth: int) -> bytes:
    body = b""
    for _ in range(depth):
        body = struct.pack(">I4s", 8 + len(body), b"moov") + body
    return box("ftyp", b"isom", bytes(4), b"isom") + body


def _ebml(name: str, body: bytes) -> bytes:
    return bytes.fromhex(name) + struct.pack(">Q", len(body) | 1 << 56) + body


def _many_tracks(count: int) -> bytes:
    entries = b"".join(
        _ebml("AE", _ebml("D7", struct.pack(">I", n + 1)) + _ebml("83", b"\x02") + _ebml("86", b"A_OPUS"))
        for n in range(count)
    )
    head = _ebml("1A45DFA3", _ebml("4282", b"webm"))
    return head + _ebml("18538067", _ebml("1654AE6B", entries))


def _wav(**fields: int) -> Callable[[], bytes]:
    def make() -> bytes:
        out = io.BytesIO()
        with wave.open(out, "wb") as file:
            file.setparams((1, 2, 8000, 0, "NONE", ""))
            file.writeframes((sound(8000, 1.0, 1, (0.5,))[0] * 32000).astype("<i2").tobytes())
        data = bytearray(out.getvalue())
        places = {
            "kind": (20, "<H"),
            "channels": (22, "<H"),
            "rate": (24, "<I"),
            "block": (32, "<H"),
            "bits": (34, "<H"),
        }
        for name, value in fields.items():
            at, shape = places[name]
            struct.pack_into(shape, data, at, value)
        return bytes(data)

    return make


raw("nested_boxes", "nested.mp4", "boxes in boxes, thirty thousand deep", lambda: _nested(30_000))
raw("tracks_3000", "tracks.webm", "three thousand tracks", lambda: _many_tracks(3000))
raw("wav_channels", "channels.wav", "65,535 channels", _wav(channels=65535), "any")
raw("wav_channels_0", "channels0.wav", "no channels", _wav(channels=0), "any")
raw("wav_rate_0", "rate0.wav", "no samples a second", _wav(rate=0), "any")
raw("wav_rate_1", "rate1.wav", "one sample a second: an hour and more", _wav(rate=1), "limit")
raw("wav_rate_max", "ratemax.wav", "four thousand million samples a second", _wav(rate=0xFFFFFFFF), "any")
raw("wav_block_0", "block0.wav", "blocks of no size", _wav(block=0), "any")
raw("wav_bits", "bits.wav", "sixty-four thousand bits a sample", _wav(bits=64000), "any")
raw("wav_kind", "kind.wav", "a codec nobody knows", _wav(kind=0x7777))
raw("id3_huge", "id3.mp3", "256 MB of tags promised", lambda: b"ID3\x04\0\0\x7f\x7f\x7f\x7f" + bytes(2000))
raw("ogg_pages", "pages.ogg", "fifty thousand empty pages", lambda: b"".join(
    b"OggS\0\0" + bytes(8) + struct.pack("<III", n % 7, n, 0) + b"\0" for n in range(50_000)))  # fmt: skip
raw("flac_head_only", "head.flac", "a header and no sound", lambda: b"fLaC\x80\0\0\x22" + struct.pack(">HH", 4096, 4096) + bytes(6) + struct.pack(">Q", 48000 << 44 | 1 << 41 | 15 << 36 | 10**9) + bytes(16))  # fmt: skip
raw("amr_zeros", "zeros.amr", "a header and zeros", lambda: b"#!AMR\n" + bytes(4000), "any")
raw("adts_noise", "noise.aac", "noise with a frame's first bytes", lambda: b"\xff\xf1\x50\x80" + random.Random(9).randbytes(60_000))  # fmt: skip


@case("resized", "resized.mkv", "any", "the picture's size changes half-way")
def _(path: Path) -> dict:
    clip(path, acodec=None, seconds=1.0, claps=(), vopts=QUICK_264 | {"bf": "0"}, fmt="h264")
    first = path.read_bytes()
    clip(path, acodec=None, seconds=1.0, claps=(), vopts=QUICK_264 | {"bf": "0"}, fmt="h264", w=240, h=320)
    both = path.with_suffix(".264")
    both.write_bytes(first + path.read_bytes())
    with av.open(str(both), format="h264") as source, av.open(str(path), "w") as target:
        out = target.add_stream_from_template(source.streams.video[0])
        for number, packet in enumerate(source.demux(video=0)):
            if packet.size:
                packet.pts = packet.dts = number * 3000
                packet.duration = 3000
                packet.time_base = Fraction(1, 90000)
                packet.stream = out
                target.mux(packet)
    both.unlink()
    return {"kind": "video", "claps": []}


@case("grows", "grows.mkv", "any", "the picture grows to 8K half-way: the limit must hold for every picture")
def _(path: Path) -> dict:
    small, large = (_one_picture(path, width, height) for width, height in ((320, 240), (7680, 4320)))
    both = path.with_suffix(".264")
    both.write_bytes(small + large)
    with av.open(str(both), format="h264") as source, av.open(str(path), "w") as target:
        out = target.add_stream_from_template(source.streams.video[0])
        for number, packet in enumerate(source.demux(video=0)):
            if packet.size:
                packet.pts = packet.dts = number * 3000
                packet.duration = 3000
                packet.time_base = Fraction(1, 90000)
                packet.stream = out
                target.mux(packet)
    both.unlink()
    return {"kind": "video", "claps": []}


def _one_picture(path: Path, width: int, height: int) -> bytes:
    with av.open(str(path), "w", format="h264") as out:
        stream = out.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "40", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        frame = av.VideoFrame(width, height, "yuv420p")
        for number in range(6):
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path.read_bytes()


# ---------------------------------------------------------------- lists that point elsewhere
def pointing(
    case_id: str, filename: str, hazard: str, make: Callable[[Path], str | bytes], expect: str = "reject"
) -> None:
    """Register a list that names the planted secret or an address; `make` gets the folder of the secret."""

    @case(case_id, filename, expect, hazard)
    def _(path: Path) -> dict:
        content = make(canary(path.parent))
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return {"kind": "hostile", "canary_hz": make_clips.CANARY_HZ}


def _playlist(target: str) -> str:
    return f"#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\n{target}\n#EXT-X-ENDLIST\n"


def _address(name: str) -> str:
    return f"http://127.0.0.1:{make_clips.CANARY_PORT}/{name}"


pointing("list_bom", "http:__127.0.0.1.mp4", "a playlist behind a byte-order mark", lambda d: "\ufeff" + _playlist(f"{d}/secret.ts"))  # fmt: skip
pointing("list_spaces", "file:list.mp4", "a playlist behind blank lines", lambda d: "\n \t\n" + _playlist(f"file://{d}/secret.ts"))  # fmt: skip
pointing("list_utf16", "utf16.mp4", "a playlist in two bytes a letter", lambda d: _playlist(f"{d}/secret.ts").encode("utf-16"))  # fmt: skip
pointing("list_late", "late.mov", "a playlist behind two kilobytes of remarks", lambda d: "# x\n" * 600 + _playlist(_address("late.ts")))  # fmt: skip
pointing("list_map", "map.mp4", "a playlist whose first part is named apart", lambda d: f'#EXTM3U\n#EXT-X-VERSION:7\n#EXT-X-TARGETDURATION:2\n#EXT-X-MAP:URI="{_address("init.mp4")}"\n#EXTINF:2,\nsecret/secret.ts\n#EXT-X-ENDLIST\n')  # fmt: skip
pointing("list_crypto", "crypto.mp4", "a name inside another protocol", lambda d: _playlist(f"crypto:{d}/secret.ts"))
pointing("list_subfile", "subfile.mp4", "a stretch of another file", lambda d: _playlist(f"subfile,,start,0,end,9000,,:{d}/secret.ts"))  # fmt: skip
pointing(
    "list_concat", "concat.mp4", "several files as one", lambda d: _playlist(f"concat:{d}/secret.ts|{d}/secret.ts")
)
pointing("concat_spaces", "\u202e4pm.mp4", "a script behind a line break; a name that reads backwards", lambda d: f"\nffconcat version 1.0\nfile {d}/secret.wav\n")  # fmt: skip
pointing("pls", "radio.pls", "a radio's list", lambda d: f"[playlist]\nFile1={_address('pls')}\nNumberOfEntries=1\n")
pointing("smil", "smil.mp4", "a list in angle brackets", lambda d: f'<smil><body><video src="{_address("smil")}"/></body></smil>')  # fmt: skip
pointing("xspf", "list.xspf", "a list in angle brackets", lambda d: f'<?xml version="1.0"?><playlist xmlns="http://xspf.org/ns/0/"><trackList><track><location>file://{d}/secret.wav</location></track></trackList></playlist>')  # fmt: skip
pointing("cue", "disc.cue", "a disc's list", lambda d: f'FILE "{d}/secret.wav" WAVE\n  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n')  # fmt: skip
pointing("sdp_v6", "sdp.m4v", "a session that waits on the network", lambda d: "v=0\r\no=- 0 0 IN IP6 ::1\r\ns=-\r\nc=IN IP6 ::1\r\nt=0 0\r\nm=video 47114 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\n")  # fmt: skip
pointing("avs", "script.avs", "a script for another program", lambda d: f'#AviSynth\nWavSource("{d}/secret.wav")\n')
pointing("plist_link", "link.mov", "only a note of where the film lies", lambda d: plistlib.dumps({"URL": f"file://{d}/secret.wav"}))  # fmt: skip
pointing("reference_movie", "reference.mov", "a film that only names another", lambda d: box("ftyp", b"qt  ", bytes(4), b"qt  ") + box(
    "moov", box("rmra", box("rmda", box("rdrf", bytes(4), b"url ", struct.pack(">I", len(url := f"file://{d}/secret.wav".encode() + b"\0")), url)))))  # fmt: skip
pointing("linked_segments", "linked.mkv", "chapters that continue in a neighbour", lambda d: _ebml("1A45DFA3", _ebml("4282", b"matroska")) + _ebml(
    "18538067", _ebml("1549A966", _ebml("73A4", bytes(16)) + _ebml("3EB923", bytes(range(16))) + _ebml("3E83BB", f"{d}/secret.wav".encode()))))  # fmt: skip


@case("dref_http", "dref_http.mov", "any", "a track whose data lies at an address")
def _(path: Path) -> dict:
    clip(path, video=False, acodec="pcm_s16le", fmt="mov", rate=48000, layout="mono", seconds=1.0, claps=())
    data = bytearray(path.read_bytes())
    entry = box("url ", struct.pack(">I", 0), _address("dref.wav").encode() + b"\0")
    new = box("dref", struct.pack(">II", 0, 1), entry)
    offset, size = find(data, "dref")[0]
    for at, length in [find(data, name)[0] for name in ("moov", "trak", "mdia", "minf", "dinf")]:
        data[at : at + 4] = struct.pack(">I", length + len(new) - size)
    data[offset : offset + size] = new
    path.write_bytes(data)
    return {"kind": "hostile", "canary_hz": make_clips.CANARY_HZ}


# ---------------------------------------------------------------- not media
def _sqlite() -> bytes:
    base = sqlite3.connect(":memory:")
    base.execute("create table t (a)")
    return base.serialize()


def _tar() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as file:
        file.addfile(tarfile.TarInfo("../../escape.mp4"))
    return out.getvalue()


def _zip_with_film() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        file.writestr(zipfile.ZipInfo("../film.mp4"), box("ftyp", b"isom", bytes(4), b"isom"))
    return out.getvalue()


raw("json", "list.mp4", "text", b'{"media": "film.mp4"}')
raw("csv", "table.mp3", "text", b"onset;pitch\n0.5;60\n" * 50)
raw("gzipped", "film.mp4.gz", "packed", lambda: gzip.compress(bytes(2_000_000), mtime=0))
raw("sqlite", "base.mov", "a data base", _sqlite)
raw("tar", "films.tar", "an archive whose name climbs", _tar)
raw("zip_film", "films.zip", "an archive", _zip_with_film)
raw("rtf", "notes.m4a", "a document", b"{\\rtf1\\ansi hello}")
raw("wasm", "x.wav", "a program", b"\0asm\1\0\0\0" + bytes(400))
raw("windows", "setup.mp4", "a program", b"MZ" + bytes(58) + b"\x80\0\0\0" + bytes(600))
raw("double_fork", "._IMG_0001.MOV", "what a computer writes beside a film", b"\0\5\x16\7\0\2\0\0Mac OS X        " + bytes(300))  # fmt: skip
raw("placeholder", "IMG_0002.MOV", "a file that is still in a cloud", lambda: plistlib.dumps({"NSURLNameKey": "IMG_0002.MOV"}, fmt=plistlib.FMT_BINARY))  # fmt: skip
raw("all_zeros", "zeros.mp4", "set aside and never written", lambda: bytes(500_000))
raw("ff", "ff.mp3", "one byte over and over", b"\xff" * 100_000)
raw("mp3_sync", "sync.mp3", "nothing but the starts of frames", b"\xff\xfb\x90\x64" * 20_000, "any")
raw("ftyp_only", "only.mp4", "a first box and nothing more", box("ftyp", b"mp42", bytes(4), b"mp42isom"))
raw("matroska_head", "head.webm", "a header and nothing more", lambda: _ebml("1A45DFA3", _ebml("4282", b"webm")))
raw("riff_only", "only.wav", "a header and nothing more", b"RIFF\x24\0\0\0WAVE")
raw("ogg_only", "only.ogg", "four letters", b"OggS")

# ---------------------------------------------------------------- MIDI
NOTE = b"\0\x90\x3c\x40\x83\x60\x80\x3c\0"


def _track(body: bytes, *, length: int | None = None) -> bytes:
    body += b"\0\xff\x2f\0"
    return b"MTrk" + struct.pack(">I", len(body) if length is None else length) + body


def _midi(*tracks: bytes, shape: int = 1, count: int | None = None, division: int = 480, head: int = 6) -> bytes:
    return (
        b"MThd"
        + struct.pack(">IHHH", head, shape, len(tracks) if count is None else count, division)
        + b"".join(tracks)
    )


raw("mid_plain", "lesson.mid", "none", _midi(_track(NOTE * 20)), "accept")
raw("mid_no_name", "lesson", "no ending in the name", _midi(_track(NOTE)), "accept")
raw("mid_as_mp4", "lesson.mp4", "a film's name", _midi(_track(NOTE)), "any")
raw("mid_pedal", "pedal.MID", "running status and pedal", _midi(_track(b"\0\x90\x3c\x40\x10\x40\x40\0\xb0\x40\x7f\x83\x60\x40\0\0\x90\x3c\0")), "accept")  # fmt: skip
raw("mid_sysex", "sysex.mid", "a maker's own messages", _midi(_track(b"\0\xf0\x05\x7e\x7f\x09\x01\xf7" + NOTE + b"\0\xf7\x01\xf8")), "accept")  # fmt: skip
raw("mid_long_head", "head8.mid", "a header longer than usual", _midi(head=8, count=1)[:14] + b"\0\0" + _track(NOTE), "accept")  # fmt: skip
raw("mid_smpte", "smpte.mid", "time in film pictures", _midi(_track(NOTE), division=0xE250), "accept")
raw("mid_smpte_0", "smpte0.mid", "no ticks in a picture", _midi(_track(NOTE), division=0xE200))
raw("mid_division_0", "division0.mid", "no ticks in a quarter", _midi(_track(NOTE), division=0))
raw("mid_tempo_0", "tempo0.mid", "a tempo without end", _midi(_track(b"\0\xff\x51\x03\0\0\0" + NOTE)), "any")
raw("mid_tail", "tail.mid", "bytes behind the last track", _midi(_track(NOTE)) + b"\0" * 300, "accept")
raw("mid_cut_track", "cut.mid", "cut inside a track", _midi(_track(NOTE * 50))[:200])
raw("mid_cut_number", "number.mid", "cut inside a number", _midi(b"MTrk" + struct.pack(">I", 2) + b"\x81\x80"))
raw("mid_length_max", "length.mid", "a track of four gigabytes promised", _midi(_track(NOTE, length=0xFFFFFFFF)))
raw("mid_length_0", "length0.mid", "an empty track and stray bytes", _midi(_track(NOTE, length=0)))
raw("mid_meta_max", "meta.mid", "text of 256 MB promised", _midi(_track(b"\0\xff\x01\xff\xff\xff\x7f" + NOTE)))
raw("mid_garbage", "garbage.mid", "data without a status", _midi(_track(b"\0\x3c\x40\0\x3c\x40")))
raw("mid_noise", "noise.mid", "a header and noise", _midi(_track(random.Random(5).randbytes(3000))), "any")
raw("mid_delta", "delta.mid", "years between two notes", _midi(_track(b"\xff\xff\xff\x7f\x90\x3c\x40" * 40)), "limit")
raw("mid_tracks_max", "tracks.mid", "65,535 tracks promised", _midi(_track(NOTE), count=65535), "limit")
raw("mid_tracks_more", "more.mid", "more tracks than promised", _midi(_track(NOTE), _track(NOTE), count=1), "accept")
raw("mid_tracks_fewer", "fewer.mid", "fewer tracks than promised", _midi(_track(NOTE), count=3))
raw("mid_tracks_0", "none.mid", "no tracks", _midi())
raw("mid_shape_2", "shape2.mid", "pieces one after another", _midi(_track(NOTE), _track(NOTE), shape=2), "any")
raw("mid_only_head", "head.mid", "four letters", b"MThd")
raw("mid_100mb", "large.mid", "a hundred megabytes", lambda: _midi(_track(NOTE * 11_000_000)), "limit")
raw("mid_events", "events.mid", "two million events", lambda: _midi(_track(b"\0\xfe"[:0] + b"\0\x90\x3c\x01" + b"\0\x3c\x01" * 1_300_000)), "limit")  # fmt: skip
raw("mid_unended", "unended.mid", "a note that is never let go", _midi(_track(b"\0\x90\x3c\x40\x83\x60\x90\x3e\x40")), "accept")  # fmt: skip
raw("mid_riff", "riff.rmi", "MIDI inside RIFF", lambda: b"RIFF" + struct.pack("<I", 12 + len(m := _midi(_track(NOTE)))) + b"RMIDdata" + struct.pack("<I", len(m)) + m, "any")  # fmt: skip


# ---------------------------------------------------------------- pictures
def pic(
    case_id: str, filename: str, hazard: str, expect: str = "accept", /, *, size: tuple[int, int] = (200, 150)
) -> Any:
    """Register a maker of pictures; it returns the picture, or None where it wrote the file."""

    def deco(make: Callable[[Path], None]) -> Callable[[Path], None]:
        @case(case_id, filename, expect, hazard)
        def _(path: Path) -> dict:
            make(path)
            return {"kind": "image", "width": size[0], "height": size[1]}

        return make

    return deco


def _shown(width: int = 200, height: int = 150) -> Image.Image:
    return Image.fromarray(picture(width, height))


def simple(
    case_id: str, filename: str, hazard: str, expect: str = "accept", /, *, mode: str = "RGB", **options: Any
) -> None:
    """Register the test picture, saved in some way."""

    @pic(case_id, filename, hazard, expect)
    def _(path: Path) -> None:
        _shown().convert(mode).save(path, **options)


simple("pic_adobe_cmyk", "cmyk.jpg", "four inks", mode="CMYK", format="JPEG")
simple("pic_444", "444.jpeg", "full colour", format="JPEG", subsampling=0, quality=95)
simple("pic_webp_lossless", "lossless.webp", "without loss", format="WEBP", lossless=True)
simple("pic_palette", "palette.png", "256 colours", mode="P", format="PNG")
simple("pic_one_bit", "bit.png", "black and white", mode="1", format="PNG")
simple("pic_la", "la.png", "grey with see-through", mode="LA", format="PNG")
simple("pic_gif", "still.gif", "256 colours", mode="P", format="GIF")
simple("pic_avif_as_heic", "avif.heic", "another kind under a name", format="AVIF")
simple("pic_jpeg2000", "j2k.jpg", "a kind that is not taken", "reject", format="JPEG2000")
simple("pic_bmp", "bmp.jpg", "a kind that is not taken", "reject", format="BMP")
simple("pic_ico", "ico.png", "a kind that is not taken", "reject", format="ICO")
simple("pic_tga", "tga.png", "a kind that is not taken", "reject", format="TGA")
simple("pic_ppm", "ppm.jpg", "a kind that is not taken", "reject", format="PPM")
simple("pic_pdf", "pdf.jpg", "a document made of a picture", "reject", format="PDF")
simple("pic_webp_as_mov", "IMG.mov", "a picture under a film's name", "reject", format="WEBP")


@pic("pic_animated_webp", "moves.webp", "first picture only")
def _(path: Path) -> None:
    _shown().save(
        path, "WEBP", save_all=True, append_images=[Image.fromarray(picture(200, 150, n)) for n in range(1, 5)]
    )


@pic("pic_apng", "moves.png", "first picture only")
def _(path: Path) -> None:
    _shown().save(
        path, "PNG", save_all=True, append_images=[Image.fromarray(picture(200, 150, n)) for n in range(1, 5)]
    )


@pic("pic_exif_9", "exif9.jpg", "a turn that does not exist")
def _(path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 9
    _shown().save(path, "JPEG", exif=exif)


@pic("pic_exif_garbage", "exifbad.jpg", "broken notes about the picture")
def _(path: Path) -> None:
    _shown().save(path, "JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x12\x01\x03\0\xff\xff\xff\xff" * 20)


@pic("pic_exif_loop", "exifloop.jpg", "notes that point to themselves")
def _(path: Path) -> None:
    entry = struct.pack("<HHII", 0x8769, 4, 1, 8)
    _shown().save(path, "JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0\x01\0" + entry + struct.pack("<I", 8))


@pic("pic_webp_turned", "turned.webp", "a turn outside JPEG", size=(150, 200))
def _(path: Path) -> None:
    _shown().save(path, "WEBP", exif=gps_exif(8))


@pic("pic_png_turned", "turned.png", "a turn outside JPEG", size=(150, 200))
def _(path: Path) -> None:
    _shown().save(path, "PNG", exif=gps_exif(6))


@pic("pic_heic_alpha", "alpha.heic", "see-through HEIC")
def _(path: Path) -> None:
    make_clips._heif()
    _shown().convert("RGBA").save(path, "HEIF", quality=70)


@pic("pic_heic_wide", "wide.heic", "a large HEIC", size=(4032, 3024))
def _(path: Path) -> None:
    make_clips._heif()
    _shown(4032, 3024).save(path, "HEIF", quality=40)


@pic("pic_heic_bomb", "bomb.heic", "a HEIC that claims to be far too large", "any")
def _(path: Path) -> None:
    make_clips._heif()
    _shown().save(path, "HEIF", quality=70)
    data = path.read_bytes()
    at = data.index(b"ispe")
    path.write_bytes(data[: at + 8] + struct.pack(">II", 60000, 60000) + data[at + 16 :])


@pic("pic_48mpx", "48.jpg", "the largest that phones take", size=(8000, 6000))
def _(path: Path) -> None:
    Image.new("RGB", (8000, 6000), (90, 120, 60)).save(path, "JPEG", quality=70)


@pic("pic_jpeg_claims", "claims.jpg", "65,500 pixels a side in the header", "limit")
def _(path: Path) -> None:
    _shown().save(path, "JPEG")
    data = bytearray(path.read_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 65500, 65500)
    path.write_bytes(data)


@pic("pic_gif_claims", "claims.gif", "65,535 pixels a side in the header", "limit")
def _(path: Path) -> None:
    _shown().convert("P").save(path, "GIF")
    data = bytearray(path.read_bytes())
    data[6:10] = b"\xff" * 4
    path.write_bytes(data)


@pic("pic_scans", "scans.jpg", "thousands of passes over one large picture", "any", size=(6000, 6000))
def _(path: Path) -> None:
    Image.new("RGB", (6000, 6000), (5, 5, 5)).save(path, "JPEG", progressive=True, quality=30)
    data = path.read_bytes()
    starts = [n for n in range(len(data) - 1) if data[n : n + 2] == b"\xff\xda"]
    last = data[starts[-1] : -2]
    path.write_bytes(data[:-2] + last * min(4000, 4_000_000 // len(last)) + b"\xff\xd9")


@pic("pic_png_crc", "crc.png", "a wrong checksum", "reject")
def _(path: Path) -> None:
    _shown().save(path, "PNG")
    data = bytearray(path.read_bytes())
    at = data.index(b"IDAT")
    data[at + 20] ^= 0x55
    path.write_bytes(data)


@pic("pic_png_chunks", "chunks.png", "two hundred thousand tiny notes", "any")
def _(path: Path) -> None:
    _shown().save(path, "PNG")
    data = path.read_bytes()
    body = b"tEXta\0b"
    note = struct.pack(">I", 3) + body + struct.pack(">I", zlib.crc32(body))
    path.write_bytes(data[:33] + note * 200_000 + data[33:])


@pic("pic_itxt_bomb", "itxt.png", "compressed text of 200 MB", "any")
def _(path: Path) -> None:
    packer = zlib.compressobj(9)
    text = b"".join(packer.compress(b"a" * (1 << 20)) for _ in range(200)) + packer.flush()
    path.write_bytes(png_bytes(64, 64, 2, 8, [(b"iTXt", b"x\0\1\0\0\0" + text)]))


@pic("pic_16_rgb", "deep.png", "sixteen bits a colour", size=(64, 64))
def _(path: Path) -> None:
    path.write_bytes(png_bytes(64, 64, 2, 16))


@pic("pic_cut_webp", "cut.webp", "cut short", "reject")
def _(path: Path) -> None:
    _shown().save(path, "WEBP", quality=90)
    path.write_bytes(path.read_bytes()[:-800])


@pic("pic_cut_gif", "cut.gif", "cut short", "reject")
def _(path: Path) -> None:
    _shown().convert("P").save(path, "GIF")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])


@pic("pic_cut_avif", "cut.avif", "cut short", "reject")
def _(path: Path) -> None:
    _shown().save(path, "AVIF")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 5])


@pic("pic_jpeg_tail", "tail.jpg", "a megabyte of film behind the picture, as phones write for moving pictures")
def _(path: Path) -> None:
    _shown().save(path, "JPEG")
    film_path = path.with_suffix(".tail.mp4")
    clip(film_path, seconds=1.0, claps=())
    path.write_bytes(path.read_bytes() + film_path.read_bytes())
    film_path.unlink()


@pic("pic_mpo", "two.jpg", "two pictures in one JPEG")
def _(path: Path) -> None:
    _shown().save(path, "MPO", save_all=True, append_images=[Image.fromarray(picture(200, 150, 3))])


@pic("pic_profile", "wide_colours.jpg", "a colour profile that is not one")
def _(path: Path) -> None:
    _shown().save(path, "JPEG", icc_profile=random.Random(8).randbytes(3000))


def build(folder: Path, only: list[str] | tuple[str, ...] = ()) -> tuple[dict, list[str]]:
    """Make the files of these ids, or all, as `make_clips.build` does."""
    kept = make_clips.REGISTRY
    make_clips.REGISTRY = REGISTRY
    try:
        return make_clips.build(folder, only)
    finally:
        make_clips.REGISTRY = kept


if __name__ == "__main__":
    make_clips.REGISTRY = REGISTRY
    sys.exit(make_clips.main())
