"""Limits, as frozen values that the caller fills from its settings."""

import math
from dataclasses import dataclass, field, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxLimits:
    """What one boxed child may use.

    Attributes
    ----------
    memory_bytes
        Address space, bytes. 2 GiB was enough for everything up to 4K HEVC (resident 241 MB); much less and the codecs' threads
        cannot start.
    cpu_s
        Processor seconds, at least 1.
    wall_s
        Seconds by the clock before the child is killed. Longer than ``cpu_s``, because other programs share the processor.
    file_bytes
        Largest file the child may write, bytes. 0: none.
    open_files
        File descriptors. Python, the codecs and our own need about ten.
    threads
        Threads one decoder or encoder may start.
    """

    memory_bytes: int = 2 << 30
    cpu_s: float = 60.0
    wall_s: float = 180.0
    file_bytes: int = 0
    open_files: int = 32
    threads: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeLimits:
    """What a file may be before the probe refuses it, and how closely it is looked at.

    Attributes
    ----------
    max_bytes
        Largest file, bytes.
    max_duration_s
        Longest clip or MIDI file, seconds. Counted while decoding, never taken from a header.
    max_frame_px
        Most pixels in one film picture. 4096 x 2304 takes every 4K camera.
    max_streams
        Most tracks in one file. Phones write up to five (picture, two kinds of sound, place, motion).
    full_decode_px
        Film pixels that are decoded picture by picture. Three thousand million is 48 s of 1080p30 or 12 s of 4K30, about 10 to
        27 processor seconds. Beyond it the picture is sampled (``sample_every_s``), the sound and the packet times are still read to
        the end, and the browser copy decodes everything anyway.
    sample_every_s
        Seconds between the key pictures that are decoded once ``full_decode_px`` is spent.
    max_image_px, min_image_side_px, max_image_side_px
        Pixels and sides of a still picture. 50 million pixels decode to at most 200 MB.
    max_image_bytes
        Largest file of a still picture, bytes. The largest phones write 40 MB.
    max_midi_bytes, max_midi_events, max_midi_tracks
        Bounds for MIDI files. An hour of dense playing is under 1 MB and 200 000 events.
    box
        What the child that looks at the file may use.
    """

    max_bytes: int = 8_000_000_000
    max_duration_s: float = 3600.0
    max_frame_px: int = 4096 * 2304
    max_streams: int = 16
    full_decode_px: int = 3_000_000_000
    sample_every_s: float = 10.0
    max_image_px: int = 50_000_000
    min_image_side_px: int = 32
    max_image_side_px: int = 20_000
    max_image_bytes: int = 100_000_000
    max_midi_bytes: int = 4_000_000
    max_midi_events: int = 1_000_000
    max_midi_tracks: int = 256
    box: BoxLimits = field(default_factory=BoxLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyLimits:
    """How a browser copy is made and what making it may use.

    Attributes
    ----------
    short_side_px
        Longest the copy's shorter side may be. 720 keeps fingers on keys readable at a sixth of a 4K file's pixels.
    max_rate_hz
        Most pictures a second. Slow-motion cameras write 120 or 240; browsers show 60.
    key_every_s
        Seconds between key pictures. Half a second makes stepping and seeking quick; shorter costs bytes.
    quality_crf
        x264 quality, 0 to 51, lower is better. 26 gave 1.8 Mb/s for a noisy 720p test film.
    sound_bit_s
        Bits a second of the AAC sound. 128 000 for two channels leaves onsets within 0.1 ms.
    max_frame_px, max_streams
        As in `ProbeLimits`.
    max_duration_s
        Seconds after which the copy stops; a little more than what the probe lets through.
    cpu_base_s, cpu_frac
        Processor seconds allowed: base + frac times the clip's length. 4K HEVC took 3.2 s a second on two busy cores;
        30 leaves room for slow machines and 60 pictures a second.
    wall_frac
        Wall-clock seconds allowed for each processor second allowed.
    bytes_base, bytes_s
        Largest copy: base + bytes for each second of the clip. 1 MB/s is four times the highest rate the encoder is given.
    box
        Memory, open files and threads; time and file size are derived from the clip's length.
    """

    short_side_px: int = 720
    max_rate_hz: float = 60.0
    key_every_s: float = 0.5
    quality_crf: int = 26
    sound_bit_s: int = 128_000
    max_frame_px: int = 4096 * 2304
    max_streams: int = 16
    max_duration_s: float = 3660.0
    cpu_base_s: float = 60.0
    cpu_frac: float = 30.0
    wall_frac: float = 3.0
    bytes_base: int = 20_000_000
    bytes_s: int = 1_000_000
    box: BoxLimits = field(default_factory=BoxLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLimits:
    """What the smaller jobs on an accepted clip may use: a still, its sound, its list of pictures, its sheet.

    Attributes
    ----------
    max_frame_px, max_streams
        As in `ProbeLimits`.
    max_duration_s
        Seconds after which a job stops; a little more than what the probe lets through.
    cpu_base_s, cpu_frac
        Processor seconds allowed: base + frac times the clip's length. Decoding the sound of an hour took 40 s; a still out of a 4K
        film without an index took 8 s a gigabyte.
    wall_frac
        Wall-clock seconds allowed for each processor second allowed.
    box
        Memory, open files and threads; time and file size are derived from the clip's length.
    """

    max_frame_px: int = 4096 * 2304
    max_streams: int = 16
    max_duration_s: float = 3660.0
    cpu_base_s: float = 60.0
    cpu_frac: float = 0.1
    wall_frac: float = 3.0
    box: BoxLimits = field(default_factory=BoxLimits)

    def box_for(self, duration_s: float, *, file_bytes: int) -> BoxLimits:
        """Return the box for a clip of this length.

        Parameters
        ----------
        duration_s
            Length, seconds.
        file_bytes
            Largest file the job may write, bytes.

        Returns
        -------
        BoxLimits
            With times that grow with the length.

        Examples
        --------
        >>> WorkLimits().box_for(600.0, file_bytes=1000).cpu_s
        120
        """
        cpu_s = math.ceil(self.cpu_base_s + self.cpu_frac * duration_s)
        return replace(self.box, cpu_s=cpu_s, wall_s=cpu_s * self.wall_frac, file_bytes=file_bytes)


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceLimits:
    """How a MIDI file is given a sound and what that may use.

    Attributes
    ----------
    sound_bit_s
        Bits a second of the AAC sound, one channel.
    max_midi_events, max_midi_tracks
        As in `ProbeLimits`.
    cpu_base_s, cpu_frac
        Processor seconds allowed: base + frac times the length.
    wall_frac
        Wall-clock seconds allowed for each processor second allowed.
    bytes_base, bytes_s
        Largest file: base + bytes for each second.
    box
        Memory and threads; time, file size and open files are derived.
    """

    sound_bit_s: int = 96_000
    max_midi_events: int = 1_000_000
    max_midi_tracks: int = 256
    cpu_base_s: float = 60.0
    cpu_frac: float = 2.0
    wall_frac: float = 3.0
    bytes_base: int = 1_000_000
    bytes_s: int = 40_000
    box: BoxLimits = field(default_factory=BoxLimits)

    def box_for(self, duration_s: float, *, recordings: int) -> BoxLimits:
        """Return the box for a file of this length.

        Parameters
        ----------
        duration_s
            Length, seconds.
        recordings
            Files that are read beside it.

        Returns
        -------
        BoxLimits
            With times that grow with the length.

        Examples
        --------
        >>> VoiceLimits().box_for(60.0, recordings=30).open_files
        62
        """
        cpu_s = math.ceil(self.cpu_base_s + self.cpu_frac * duration_s)
        return replace(
            self.box,
            cpu_s=cpu_s,
            wall_s=cpu_s * self.wall_frac,
            file_bytes=math.ceil(self.bytes_base + self.bytes_s * duration_s),
            open_files=self.box.open_files + recordings,
        )
