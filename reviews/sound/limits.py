"""What may keep a recording from telling more, and how that is said."""

from enum import StrEnum


class Limit(StrEnum):
    """What keeps this recording from telling more. Closed list; printed by `manage.py measure --codes`."""

    UNREADABLE = "unreadable"
    SCORE_REFUSED = "score_refused"
    NO_SOUND = "no_sound"
    SILENT = "silent"
    NOISY = "noisy"
    CLIPPED = "clipped"
    GAIN_CONTROL = "gain_control"
    BLURRED = "blurred"
    METRONOME = "metronome"
    TALK = "talk"
    FEW_NOTES = "few_notes"


LIMIT_WORDS = {
    Limit.UNREADABLE: "The clip cannot be read, so nothing could be heard in it.",
    Limit.SCORE_REFUSED: "The score cannot be read, so what was heard is compared with nothing.",
    Limit.NO_SOUND: "The clip has no sound, so nothing could be heard in it.",
    Limit.SILENT: "Nothing is heard in this clip. Was the microphone covered, or switched off?",
    Limit.NOISY: "The room or the phone is noisy, so soft and low notes are easily lost. Nearer to the piano is better.",
    Limit.CLIPPED: "The loudest notes are cut off. Move the phone further away; loudness cannot be judged from this one.",
    Limit.GAIN_CONTROL: "The phone evens out loud and soft by itself, so loudness is judged with care, or not at all.",
    Limit.BLURRED: "The sound rings on for long (pedal or a live room), so where notes end cannot be told.",
    Limit.METRONOME: "A metronome is heard. Its clicks are left out.",
    Limit.TALK: "Somebody talks in this clip. What is heard meanwhile is less sure.",
    Limit.FEW_NOTES: "Only a few notes are heard, too few for anything but the notes themselves.",
}
