"""A pattern in the words a learner would use."""

from curriculum.score.patterns.spec import Pattern

NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight")
SIGNS = {"": "", "#": " sharp", "b": " flat"}
MODE_WORDS = {
    "natural_minor": "natural minor",
    "harmonic_minor": "harmonic minor",
    "melodic_minor": "melodic minor",
}
VALUE_WORDS = {
    "4": "whole notes",
    "3": "dotted half notes",
    "2": "half notes",
    "3/2": "dotted quarter notes",
    "1": "quarter notes",
    "1/2": "eighths",
    "1/3": "eighths, three in a beat",
    "1/4": "sixteenths",
    "1/6": "sixteenths, six in a beat",
}
INVERSION_WORDS = ("", "first inversion", "second inversion", "third inversion")
CHORD_WORDS = {"dominant_seventh": "dominant seventh", "diminished_seventh": "diminished seventh"}
FIGURE_WORDS = {
    ("five_finger", "skips"): "in thirds",
    ("five_finger", "from_thumb"): "from the thumb",
    ("broken_chord", "there_and_back"): "there and back",
    ("broken_chord", "four"): "in fours",
    ("trill", "each_pair"): "with each pair of fingers",
    ("repeated", "changing"): "changing fingers",
    ("repeated", "same_finger"): "with one finger",
}
BASS_WORDS = {"rocking": "rocking bass", "leaping": "leaping bass", "octaves": "bass in broken octaves"}
RHYTHM_WORDS = {
    "long_short": "long and short by turns",
    "short_long": "short and long by turns",
    "long_short_short": "one long, two short",
    "short_short_long": "two short, one long",
}
ACCENT_WORDS = {
    "every_2": "an accent on every second note",
    "every_3": "an accent on every third note",
    "every_4": "an accent on every fourth note",
    "off_beat": "accents off the beat",
}
TOUCH_WORDS = {"staccato": "short", "joined": "joined"}


def pattern_in_words(pattern: Pattern) -> str:
    """Return a pattern as one line of text; what is usual is left unsaid.

    Parameters
    ----------
    pattern : Pattern
        The choices.

    Returns
    -------
    str
        Key and kind first, then what differs from the usual.

    Examples
    --------
    >>> pattern_in_words(Pattern(kind="scale", key="F#", mode="harmonic_minor", hands="both", octaves=2, value="1/2"))
    'F sharp harmonic minor scale, two octaves, both hands, in eighths'
    >>> pattern_in_words(Pattern(kind="bass", key="Bb", hands="left", figure="leaping", metre="3/4", progression="I-IV-V-I"))
    'B flat major leaping bass on I, IV, V and I, left hand, in 3/4'
    """
    parts = [_name(pattern), _amount(pattern), INVERSION_WORDS[pattern.inversion]]
    parts.append(FIGURE_WORDS.get((pattern.kind, pattern.figure), ""))
    if pattern.kind in ("trill", "repeated"):
        parts.append(f"{pattern.count} {'pairs' if pattern.kind == 'trill' else 'strikes'} each")
    parts.append({"up": "only up", "down": "only down"}.get(pattern.direction, ""))
    parts.append(_hands(pattern))
    parts.append("in contrary motion" if pattern.motion == "contrary" else "")
    parts.extend(_distance(pattern))
    parts.append(f"in {VALUE_WORDS[pattern.value]}" if pattern.value != "1" else "")
    parts.append(f"in {pattern.metre}" if pattern.metre != "4/4" else "")
    parts.append(RHYTHM_WORDS.get(pattern.rhythm, ""))
    parts.append(ACCENT_WORDS.get(pattern.accent, ""))
    parts.append(TOUCH_WORDS.get(pattern.touch, ""))
    parts.append(f"at {pattern.bpm}" if pattern.bpm != 60 else "")
    parts.append({1: "", 2: "twice"}.get(pattern.times, f"{NUMBERS[pattern.times]} times"))
    return ", ".join(part for part in parts if part)


def pattern_title(pattern: Pattern) -> str:
    """Return a title for the score of a pattern: what it is, how far it goes and which hands play.

    Parameters
    ----------
    pattern : Pattern
        The choices.

    Returns
    -------
    str
        The beginning of `pattern_in_words`; never longer than a line.

    Examples
    --------
    >>> pattern_title(Pattern(kind="scale", key="G", value="1/2", bpm=80))
    'G major scale, one octave, right hand'
    """
    return ", ".join(part for part in (_name(pattern), _amount(pattern), _hands(pattern)) if part)


def _amount(pattern: Pattern) -> str:
    if pattern.kind not in ("scale", "arpeggio", "broken_chord", "solid_chord"):
        return ""
    return "one octave" if pattern.octaves == 1 else f"{NUMBERS[pattern.octaves]} octaves"


def _hands(pattern: Pattern) -> str:
    return "both hands" if pattern.hands == "both" else f"{pattern.hands} hand"


def _name(pattern: Pattern) -> str:
    tonic = pattern.key[0] + SIGNS[pattern.key[1:]]
    if pattern.mode == "chromatic":
        return f"chromatic scale from {tonic}"
    home = f"{tonic} {MODE_WORDS.get(pattern.mode, pattern.mode)}"
    if pattern.kind == "arpeggio" and pattern.chord != "triad":
        return f"{CHORD_WORDS[pattern.chord]} arpeggio in {home}"
    names = {
        "five_finger": "five-finger pattern",
        "scale": "scale",
        "arpeggio": "arpeggio",
        "broken_chord": "broken chords",
        "solid_chord": "chords",
        "cadence": f"cadence {_listed(pattern.progression)}",
        "bass": f"{BASS_WORDS.get(pattern.figure, '')} on {_listed(pattern.progression)}",
        "trill": "trill",
        "repeated": "repeated notes",
    }
    return f"{home} {names[pattern.kind]}"


def _listed(progression: str) -> str:
    chords = progression.split("-")
    return chords[0] if len(chords) == 1 else f"{', '.join(chords[:-1])} and {chords[-1]}"


def _distance(pattern: Pattern) -> list[str]:
    if pattern.hands != "both" or pattern.apart == 1:
        distance = ""
    elif pattern.apart == 0:
        distance = "from one key"
    else:
        distance = f"{NUMBERS[pattern.apart]} octaves apart"
    return [distance, f"from octave {pattern.octave}" if pattern.octave is not None else ""]
