"""A whole clip, from its file to heard notes and a description: decoded in the box, heard, described, doubts named."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lessons.media import Kind, Probe, decode_sound
from lessons.media.samples import mix_weights, open_samples
from reviews.sound.company import doubted
from reviews.sound.heard import SURE
from reviews.sound.hearing import Hearing, Mono, hear
from reviews.sound.limits import Limit
from reviews.sound.listener import RATE_HZ, Listener
from reviews.sound.midi import hear_midi
from reviews.sound.recording import Recording, describe

# Borders between a recording that is good and one that is poor (measured on rendered phones: SNR 35 dB is good, 20 dB is poor).
POOR_SNR_DB, POOR_CLIPPED_FRAC, POOR_DECAY_S = 22.0, 0.02, 1.5
# Seconds of dying away, room and dampers together, below which ends of notes can be told.
DRY_DECAY_S = 0.4
# SD of an onset (s) and of a level (dB, a key against itself) where too little was heard to measure them in this take: what was
# measured on rendered phones for chords, and a little more.
UNKNOWN_ONSET_SD_S, UNKNOWN_LEVEL_SD_DB = 0.002, 1.0
# Share of talk from which it is named.
NAMED_TALK_FRAC = 0.05


# Notes below which nothing is said about evenness.
FEW_NOTES = 24


@dataclass(frozen=True, slots=True)
class Listened:
    """What a clip holds for the ear. ``recording`` is None for MIDI and for a clip without sound."""

    hearing: Hearing
    recording: Recording | None
    limits: tuple[Limit, ...]

    @property
    def is_poor(self) -> bool:
        """Whether low or soft notes are easily lost in this recording."""
        return bool({Limit.NOISY, Limit.CLIPPED} & set(self.limits))

    @property
    def is_dry(self) -> bool:
        """Whether ends of notes can be told."""
        return (
            self.recording is not None and self.recording.decay_s is not None and self.recording.decay_s < DRY_DECAY_S
        )

    @property
    def trust_fields(self) -> dict[str, Any]:
        """How far notes can be trusted, by the names of `reviews.compare.Trust`: errors in seconds and decibels, and kinds."""
        hearing = self.hearing
        return {
            "onset_sd_s": hearing.onset_sd_s if hearing.onset_sd_s is not None else UNKNOWN_ONSET_SD_S,
            "level_sd_db": hearing.level_sd_db if hearing.level_sd_db is not None else UNKNOWN_LEVEL_SD_DB,
            "is_exact": hearing.is_exact,
            "is_poor": self.is_poor,
            "is_dry": self.is_dry,
            "has_own_levels": hearing.is_exact or hearing.is_line,
            "has_steady_level": not {Limit.CLIPPED, Limit.GAIN_CONTROL} & set(self.limits),
        }


def listen(
    path: Path,
    *,
    probe: Probe,
    folder: Path,
    listener: Listener | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Listened:
    """Return what is heard in a clip.

    Parameters
    ----------
    path : Path
        The file as it came.
    probe : Probe
        What `lessons.media.probe` found about it.
    folder : Path
        Where the decoded sound may lie meanwhile (230 MB an hour and channel); it is removed again.
    listener : Listener, optional
        The net, where it is loaded already.
    on_progress : callable, optional
        Called with the share that is done, 0 to 1.

    Returns
    -------
    Listened
        Heard notes, description and doubts. A film without sound has no notes.

    Raises
    ------
    MediaError
        If the sound cannot be decoded.
    SoundError
        If it is no sound that can be heard, or the net is missing.
    """
    tell = on_progress or (lambda _: None)
    if probe.kind is Kind.MIDI:
        hearing = hear_midi(path.read_bytes())
        few = (Limit.FEW_NOTES,) if len(hearing.notes) < FEW_NOTES else ()
        return Listened(hearing, None, few if hearing.notes else (Limit.SILENT,))
    if probe.audio is None:
        return Listened(Hearing(notes=(), duration_s=probe.duration_s or 0.0), None, (Limit.NO_SOUND,))
    stored = folder / "sound.npy"
    try:
        facts = decode_sound(path, stored, probe=probe, rate_hz=RATE_HZ, on_progress=lambda done: tell(0.15 * done))
        samples = open_samples(stored)
        hearing = hear(
            samples, names=facts.channels, listener=listener, on_progress=lambda done: tell(0.15 + 0.7 * done)
        )
        sure = [note for note in hearing.notes if note.confidence >= SURE]
        recording = describe(
            samples, names=facts.channels, notes=sure, on_progress=lambda done: tell(0.85 + 0.15 * done)
        )
        if recording.click_times_s or recording.talk_s:
            part = Mono(samples, mix_weights(samples, names=facts.channels)).part
            hearing = replace(hearing, notes=doubted(hearing.notes, recording=recording, part=part))
    finally:
        stored.unlink(missing_ok=True)
    return Listened(hearing, recording, _limits(hearing, recording))


def _limits(hearing: Hearing, recording: Recording) -> tuple[Limit, ...]:
    sure = sum(note.confidence >= SURE for note in hearing.notes)
    if recording.is_silent or not sure:
        return (Limit.SILENT,)
    found = {
        Limit.NOISY: recording.snr_db is not None and recording.snr_db < POOR_SNR_DB,
        Limit.CLIPPED: recording.clipped_frac > POOR_CLIPPED_FRAC,
        Limit.GAIN_CONTROL: bool(recording.has_gain_control),
        Limit.BLURRED: recording.decay_s is not None and recording.decay_s > POOR_DECAY_S,
        Limit.METRONOME: recording.click_bpm is not None,
        Limit.TALK: recording.speech_frac > NAMED_TALK_FRAC,
        Limit.FEW_NOTES: sure < FEW_NOTES,
    }
    return tuple(limit for limit, holds in found.items() if holds)
