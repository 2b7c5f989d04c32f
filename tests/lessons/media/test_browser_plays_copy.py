"""A browser plays the copy, upright and to its end."""

import base64
from pathlib import Path

import pytest
from playwright.sync_api import Page

from lessons.media import make_copy, probe
from tests.tools.phone_clip import make_phone_clip

PLAY = """
async (video, film) => {
  const late = (what) => new Promise((_, fail) => setTimeout(() => fail(new Error(what)), 30000));
  const ready = new Promise((done, fail) => {
    video.oncanplay = done;
    video.onerror = () => fail(new Error(video.error.message));
  });
  video.src = 'data:video/mp4;base64,' + film;
  await Promise.race([ready, late('the film never became playable')]);
  const shape = [video.videoWidth, video.videoHeight, video.duration];
  video.muted = true;
  video.playbackRate = 4;
  const ended = new Promise((done) => { video.onended = done; });
  await video.play();
  await Promise.race([ended, late('the film never ended')]);
  return [...shape, video.getVideoPlaybackQuality().totalVideoFrames, video.webkitAudioDecodedByteCount];
}
"""


@pytest.mark.e2e
def test_browser_plays_a_turned_phone_film_upright_to_its_end(phone: Page, folder: Path) -> None:
    original = make_phone_clip(folder / "IMG_1.mov", seconds=2, width=180, height=320)
    make_copy(original, folder / "copy.mp4", probe=probe(original))
    film = base64.b64encode((folder / "copy.mp4").read_bytes()).decode()
    phone.set_content("<video></video>")
    video = phone.locator("video")
    width, height, duration_s, frames, sound_bytes = video.evaluate(PLAY, film)
    assert (width, height) == (180, 320)
    assert duration_s == pytest.approx(2.0, abs=0.05)
    assert frames > 30  # a browser on a busy machine may drop some of the sixty
    assert sound_bytes > 0
