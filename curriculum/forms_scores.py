"""Forms about scores: the file, the pattern, the questions, and what a piece was found to ask."""

from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import PurePath
from typing import Any, cast

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from curriculum.forms import LineField, PlainForm
from curriculum.models import Demand, Score
from curriculum.score import CheckedBoxes, Key, ScoreError, check_boxes
from curriculum.score.abc.fields import read_key, read_metre, read_unit
from curriculum.score.demands.signs import signs
from curriculum.score.guard import USUAL_LIMITS
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.keys import MODES
from curriculum.score.patterns.spec import CHOICES, FIGURES, Pattern
from curriculum.services.scores import LEAST_BPM, MOST_BPM

MOST_MB = USUAL_LIMITS.most_bytes // 1_000_000
HANDS = [("right", "the right hand"), ("left", "the left hand")]


class ScoreFileForm(PlainForm):
    """A file with a score."""

    file = forms.FileField(
        label="The file",
        help_text="MusicXML (.musicxml, .xml or .mxl) as notation programs save it, MIDI (.mid) or ABC (.abc).",
        widget=forms.ClearableFileInput(attrs={"accept": ".musicxml,.xml,.mxl,.mid,.midi,.abc"}),
    )
    title = LineField(
        label="Title", required=False, max_length=200, help_text="Left empty, the title in the file is taken."
    )
    part = LineField(
        label="Which part",
        required=False,
        max_length=80,
        help_text="Only where a file has several: the short name in brackets, such as P1.",
    )

    def clean_file(self) -> "UploadedFile[Any]":
        file = cast("UploadedFile[Any]", self.cleaned_data["file"])
        if (file.size or 0) > USUAL_LIMITS.most_bytes:
            raise ValidationError(
                f"This file has {(file.size or 0) / 1e6:.0f} MB. A score has {MOST_MB} MB at most; is it another file?"
            )
        return file

    @property
    def given_name(self) -> str:
        """The name on the other computer, to be shown only."""
        return PurePath(self.cleaned_data["file"].name or "").name[:200]


class ScoreTitleForm(PlainForm):
    title = LineField(label="Title", max_length=200)


KINDS = [
    ("five_finger", "five-finger pattern"), ("scale", "scale"), ("arpeggio", "arpeggio"), ("broken_chord", "broken chords"),
    ("solid_chord", "chords"), ("cadence", "cadence"), ("bass", "left-hand bass"), ("trill", "trill"), ("repeated", "repeated notes"),
]  # fmt: skip


def say_key(key: str) -> str:
    """Name a key in words: F# is F sharp."""
    return f"{key[0]}{ {'': '', '#': ' sharp', 'b': ' flat'}[key[1:]] }"


KEYS = [
    (key, say_key(key))
    for key in ("C", "G", "D", "A", "E", "B", "F#", "Db", "Ab", "Eb", "Bb", "F", "Gb", "C#", "G#", "D#", "A#", "Cb")
]
MODE_NAMES = [
    *((mode, mode.replace("_", " ")) for mode in MODES),
    ("chromatic", "chromatic, every key"),
]
FIGURE_NAMES = {
    "steps": "step by step", "skips": "in thirds", "from_thumb": "from the thumb", "three": "in threes",
    "there_and_back": "there and back", "four": "in fours", "struck": "struck together", "rocking": "rocking",
    "leaping": "leaping", "octaves": "broken octaves", "upper": "with the upper note", "each_pair": "each pair of fingers",
    "changing": "changing fingers", "same_finger": "the same finger",
}  # fmt: skip
VALUE_NAMES = [
    ("1", "quarter notes"), ("1/2", "eighths"), ("1/3", "eighths, three in a beat"), ("1/4", "sixteenths"),
    ("1/6", "sixteenths, six in a beat"), ("2", "half notes"), ("4", "whole notes"), ("3/2", "dotted quarter notes"),
    ("3", "dotted half notes"),
]  # fmt: skip
RHYTHM_NAMES = [
    ("even", "even"), ("long_short", "long, short"), ("short_long", "short, long"), ("long_short_short", "long, short, short"),
    ("short_short_long", "short, short, long"),
]  # fmt: skip
ACCENT_NAMES = [
    ("none", "none"), ("every_2", "every second note"), ("every_3", "every third note"), ("every_4", "every fourth note"),
    ("off_beat", "off the beat"),
]  # fmt: skip
MOST_USED = frozenset({"kind", "key", "mode", "hands", "octaves", "value", "progression"})
# What stands for "nothing chosen".
USUAL = {name: field.default for name, field in Pattern.__dataclass_fields__.items()}
# What is said instead of the maker's own words, where a choice does not fit the others; by the choice.
FAULTS = {
    "key": "This key would need more than seven sharps or flats in this mode. Choose its other name.",
    "mode": "This exercise is not made in this mode. Choose major or one of the minors.",
    "motion": "Contrary motion needs both hands.",
    "apart": "Both hands would share their keys. Choose one octave or more, or contrary motion.",
    "hands": "A bass is for the left hand.",
    "value": "These notes do not fill a bar of this time signature.",
    "rhythm": "This rhythm does not fit these notes and this time signature.",
    "inversion": "A chord of three notes has no third inversion.",
    "chord": "This chord wants the raised seventh degree: choose harmonic minor.",
    "progression": "V7 wants the raised seventh degree: choose major or harmonic minor.",
    "touch": "Repeated notes are struck anew; joined has no meaning there.",
    "octave": "These notes leave the piano. Choose fewer octaves, or another key.",
}


class PatternForm(PlainForm):
    """An exercise by a few choices. What the kind does not have is passed over."""

    kind = forms.ChoiceField(label="What", choices=KINDS, initial="scale")
    key = forms.ChoiceField(label="Key", choices=KEYS, initial="C")
    mode = forms.ChoiceField(label="Mode", choices=MODE_NAMES, initial="major")
    hands = forms.ChoiceField(
        label="Hands",
        choices=[("right", "right hand"), ("left", "left hand"), ("both", "both hands")],
        initial="right",
        widget=forms.RadioSelect,
    )
    figure = forms.ChoiceField(label="How it goes round", required=False)
    octaves = forms.TypedChoiceField(
        label="Octaves",
        coerce=int,
        choices=[(1, "one"), (2, "two"), (3, "three"), (4, "four")],
        initial=1,
        required=False,
    )
    direction = forms.ChoiceField(
        label="Direction", choices=[("up_down", "up and down"), ("up", "up"), ("down", "down")], required=False
    )
    motion = forms.ChoiceField(
        label="Hands move",
        choices=[("similar", "the same way"), ("contrary", "in contrary motion")],
        required=False,
    )
    chord = forms.ChoiceField(
        label="Chord",
        choices=[
            ("triad", "triad"),
            ("dominant_seventh", "dominant seventh"),
            ("diminished_seventh", "diminished seventh"),
        ],
        required=False,
    )
    inversion = forms.TypedChoiceField(
        label="Inversion", coerce=int, choices=[(0, "none"), (1, "first"), (2, "second"), (3, "third")], required=False
    )
    progression = forms.ChoiceField(
        label="Chords",
        choices=[(name, name.replace("-", " ")) for name in ("I", "I-V-I", "I-V7-I", "I-IV-I", "I-IV-V-I", "I-IV-V7-I", "I-IV-I-V7-I")],
        initial="I-V7-I",
        required=False,
    )  # fmt: skip
    count = forms.IntegerField(label="Strikes or pairs on each note", min_value=2, max_value=16, required=False)
    metre = forms.ChoiceField(
        label="Time signature",
        choices=[(metre, metre) for metre in ("4/4", "3/4", "2/4", "6/8", "9/8", "12/8")],
        required=False,
    )
    value = forms.ChoiceField(label="Notes", choices=VALUE_NAMES, required=False)
    rhythm = forms.ChoiceField(label="Rhythm", choices=RHYTHM_NAMES, required=False)
    accent = forms.ChoiceField(label="Accents", choices=ACCENT_NAMES, required=False)
    touch = forms.ChoiceField(
        label="Touch", choices=[("plain", "plain"), ("staccato", "short"), ("joined", "joined")], required=False
    )
    bpm = forms.IntegerField(label="Beats a minute", min_value=LEAST_BPM, max_value=MOST_BPM, initial=60)
    times = forms.TypedChoiceField(
        label="Times through", coerce=int, choices=[(n, str(n)) for n in range(1, 9)], initial=1, required=False
    )
    fingers = forms.BooleanField(label="Print the fingers", required=False, initial=True)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name in ("count", "bpm"):
            self.fields[name].widget.attrs["class"] = "short"
        figures = FIGURES.get(self.kind_now, ("steps",))
        figure = cast(forms.ChoiceField, self.fields["figure"])
        figure.choices = [(name, FIGURE_NAMES[name]) for name in figures]

    @property
    def kind_now(self) -> str:
        """The kind that is chosen, also before anything was checked."""
        return str(self["kind"].value() or "scale")

    @property
    def shown(self) -> list[forms.BoundField]:
        """The fields that mean something for the kind that is chosen, in order."""
        chosen = CHOICES.get(self.kind_now, frozenset())
        special = frozenset().union(*CHOICES.values())
        is_one_figure = len(FIGURES.get(self.kind_now, ())) < 2
        return [
            field
            for field in self
            if (field.name not in special or field.name in chosen) and not (field.name == "figure" and is_one_figure)
        ]

    @property
    def first(self) -> list[forms.BoundField]:
        """What most exercises are chosen by."""
        return [field for field in self.shown if field.name in MOST_USED]

    @property
    def more(self) -> list[forms.BoundField]:
        """The rest."""
        return [field for field in self.shown if field.name not in MOST_USED]

    @property
    def has_more(self) -> bool:
        """Whether something of the rest is chosen already, or is refused."""
        usual = {name: str(value) for name, value in USUAL.items()} | {"fingers": "True", "figure": ""}
        figures = FIGURES.get(self.kind_now, ("",))
        chosen = {field.name: str(field.value() or "") for field in self.more}
        chosen["fingers"] = "True" if chosen.get("fingers") in ("on", "True", "true") else ""
        chosen["figure"] = "" if chosen.get("figure", "") == figures[0] else chosen.get("figure", "")
        return any(field.errors or chosen[field.name] not in ("", usual.get(field.name, "")) for field in self.more)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if self.errors:
            return data
        special = frozenset().union(*CHOICES.values())
        chosen = CHOICES[data["kind"]]
        wanted = {
            name: value
            for name, value in data.items()
            if value not in ("", None) and (name not in special or name in chosen)
        }
        if wanted.get("figure") not in FIGURES[data["kind"]]:
            wanted.pop("figure", None)
        if data["kind"] == "bass":
            wanted["hands"] = "left"
        try:
            data["pattern"] = Pattern.from_data(wanted)
        except PatternError as error:
            name = error.name if error.name in self.fields else None
            self.add_error(name, say_pattern_fault(error))
        return data


def keys_around(middle_midi: int = 60, *, reach: int = 12) -> list[tuple[int, str]]:
    """Return the white keys around middle C, by MIDI number, in words."""
    letters = {0: "C", 2: "D", 4: "E", 5: "F", 7: "G", 9: "A", 11: "B"}
    return [
        (
            midi,
            f"{letters[midi % 12]}{' (middle C)' if midi == 60 else ' above middle C' if midi > 60 else ' below middle C'}",
        )
        for midi in range(middle_midi - reach, middle_midi + reach)
        if midi % 12 in letters
    ]


# What is left as it is where a field of its own asks already.
LEFT_OPEN = {
    "tempo_missing": "The tempo stays open.",
    "hands_from_pitch": "The hands stay as they were guessed.",
}


class QuestionsForm(PlainForm):
    """What the reader asked about a score. Only what is asked is a field."""

    hand = forms.ChoiceField(label="Which hand plays it?", choices=HANDS, widget=forms.RadioSelect, required=False)
    bpm = forms.IntegerField(
        label="How fast is it meant to go, in quarter notes a minute?",
        min_value=LEAST_BPM,
        max_value=MOST_BPM,
        required=False,
        help_text="The file names no tempo at its beginning. Left open, nothing is measured against one.",
        widget=forms.NumberInput(attrs={"class": "short"}),
    )
    swap = forms.ChoiceField(
        label="Do the hands play what the page shows?",
        choices=[("keep", "yes, the right hand plays the upper staff"), ("swap", "no, the other way round")],
        widget=forms.RadioSelect,
        required=False,
    )
    split = forms.TypedChoiceField(
        label="Which is the lowest key of the right hand?",
        coerce=int,
        empty_value=None,
        choices=[("", "as it was guessed"), *keys_around()],
        required=False,
    )
    seen = forms.MultipleChoiceField(
        label="Looked at, and not to be asked again",
        required=False,
        widget=forms.CheckboxSelectMultiple(attrs={"class": "list"}),
    )

    def __init__(self, *args: Any, questions: Iterable[dict[str, Any]], **options: Any) -> None:
        super().__init__(*args, **options)
        questions = list(questions)
        asked = {question["code"]: question for question in questions}
        # The same doubt about notes of single bars names them; there is nothing to exchange.
        if not any(question["code"] == "hand_doubtful" and not question["where"] for question in questions):
            del self.fields["swap"]
        if "which_hand" not in asked:
            del self.fields["hand"]
        if "tempo_missing" not in asked:
            del self.fields["bpm"]
        if "hands_from_pitch" not in asked:
            del self.fields["split"]
        rest = [
            (code, LEFT_OPEN.get(code, question["text"])) for code, question in asked.items() if code != "which_hand"
        ]
        if rest:
            cast(forms.MultipleChoiceField, self.fields["seen"]).choices = rest
        else:
            del self.fields["seen"]


class SignsForm(PlainForm):
    """The signs and words that are new in a unit."""

    signs = forms.MultipleChoiceField(
        label="New signs and words",
        required=False,
        choices=[(sign.key, sign.name) for sign in signs().values()],
        widget=forms.CheckboxSelectMultiple,
    )


# Typed notes ----------------------------------------------------------------------------------------------------------

# Characters of one box: a thousand bars of quarters and more. The longest pieces come as files.
LONGEST_TYPED = 20_000
SHARPS_FIRST = ("C", "G", "D", "A", "E", "B", "F#", "C#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb")
MINORS = ("A", "E", "B", "F#", "C#", "G#", "D#", "A#", "D", "G", "C", "F", "Bb", "Eb", "Ab")
TYPED_KEYS = [
    ("Major", [(key, f"{say_key(key)} major") for key in SHARPS_FIRST]),
    ("Minor", [(f"{key}m", f"{say_key(key)} minor") for key in MINORS]),
]
TYPED_METRES = [
    *((metre, metre) for metre in ("4/4", "3/4", "2/4", "6/8", "3/8", "9/8", "12/8", "2/2", "3/2", "5/4", "7/8")),
    ("C", "4/4, written C"), ("C|", "2/2, written as a C with a stroke"), ("none", "none, free"),
]  # fmt: skip
TYPED_UNITS = [
    ("1/4", "a quarter"), ("1/8", "an eighth"), ("1/16", "a sixteenth"), ("1/2", "a half note"), ("1/1", "a whole note"),
]  # fmt: skip


class BoxField(forms.CharField):
    """A box of typed notes. Every character stays where it was typed, for places are told by line and column."""

    def __init__(self, **options: Any) -> None:
        attributes = {
            "class": "typing",
            "autocapitalize": "characters",
            "autocomplete": "off",
            "autocorrect": "off",
            "spellcheck": "false",
            "rows": 5,
        }
        super().__init__(
            strip=False, required=False, max_length=LONGEST_TYPED, widget=forms.Textarea(attrs=attributes), **options
        )

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        # A browser would cut a longer paste, and say nothing.
        return {name: value for name, value in super().widget_attrs(widget).items() if name != "maxlength"}

    def to_python(self, value: Any) -> str:
        return str(super().to_python(value) or "").replace("\r\n", "\n").replace("\r", "\n")


class TypingForm(PlainForm):
    """Two hands, typed, with what holds for both."""

    title = LineField(label="Title", required=False, max_length=200)
    key = forms.ChoiceField(label="Key", choices=TYPED_KEYS, initial="C")
    metre = forms.ChoiceField(label="Time signature", choices=TYPED_METRES, initial="4/4")
    unit = forms.ChoiceField(label="A letter alone is", choices=TYPED_UNITS, initial="1/4")
    bpm = forms.IntegerField(
        label="Quarters a minute",
        min_value=LEAST_BPM,
        max_value=MOST_BPM,
        required=False,
        widget=forms.NumberInput(attrs={"class": "short"}),
    )
    right_text = BoxField(label="Right hand")
    left_text = BoxField(label="Left hand")
    # Known to the browser that holds the draft, so that it can be told that this typing was kept.
    token = LineField(required=False, max_length=40, widget=forms.HiddenInput)
    # Where was typed last: hand, line and column.
    at = LineField(required=False, max_length=40, widget=forms.HiddenInput)

    @property
    def choices_first(self) -> list[forms.BoundField]:
        """What holds for both hands."""
        return [self[name] for name in ("title", "key", "metre", "unit", "bpm")]

    def check_boxes(self) -> CheckedBoxes:
        """Return what the boxes hold. Only for a form that is valid."""
        data = self.cleaned_data
        return check_typed(data["right_text"], data["left_text"], kept=data)

    @property
    def chosen(self) -> dict[str, Any]:
        """What was chosen beside the boxes, as it is kept with the score."""
        return {name: self.cleaned_data[name] for name in ("key", "metre", "unit", "bpm", "token")}


def check_typed(right: str, left: str, *, kept: Mapping[str, Any]) -> CheckedBoxes:
    """Return what two boxes hold, with what was chosen beside them."""
    key, _ = read_key(kept["key"])
    return check_boxes(
        right,
        left,
        metre=read_metre(kept["metre"]),
        key=key or Key(0),
        unit_beat=read_unit(kept["unit"]),
        bpm=Fraction(kept["bpm"]) if kept.get("bpm") else None,
    )


# The outermost keys of instruments, as MIDI numbers, by how many keys they have.
KEYBOARDS = {88: (21, 108), 76: (28, 103), 73: (28, 100), 61: (36, 96), 54: (36, 89), 49: (36, 84)}


class InstrumentForm(PlainForm):
    """How many keys and pedals there are."""

    keys = forms.TypedChoiceField(
        label="How many keys has it?",
        coerce=int,
        choices=[(count, f"{count} keys") for count in KEYBOARDS],
        help_text="Count them, or look for the number in the manual. A piece that goes beyond them is held in words.",
    )
    pedals = forms.TypedChoiceField(
        label="How many pedals?",
        coerce=int,
        choices=[(3, "three"), (2, "two"), (1, "one"), (0, "none")],
        widget=forms.RadioSelect,
    )


class DemandsForm(PlainForm):
    """Yes or no for each thing that a piece was found to ask. What is sure is answered beforehand; what is doubtful is not."""

    def __init__(self, *args: Any, rows: Iterable[Demand], least_sure_frac: float, **options: Any) -> None:
        super().__init__(*args, **options)
        self.rows = list(rows)
        for row in self.rows:
            is_open = row.answer == Demand.Answer.ASKED
            sure = Demand.Answer.YES if row.sure_frac >= least_sure_frac else ""
            self.fields[f"demand-{row.pk}"] = forms.ChoiceField(
                choices=[("yes", "yes"), ("no", "no")],
                required=False,
                initial=sure if is_open else row.answer,
                widget=forms.RadioSelect,
                error_messages={"invalid_choice": "Answer yes or no."},
            )

    @property
    def answers(self) -> dict[int, str]:
        """Answers given, by the row's number."""
        return {row.pk: self.cleaned_data.get(f"demand-{row.pk}", "") for row in self.rows}


def said_by(error: ScoreError) -> str:
    """Return what was wrong with a score, with the place where the words do not hold it already."""
    text = str(error)
    return text if not error.where or error.where.casefold() in text.casefold() else f"{text} ({error.where})"


def say_pattern_fault(error: ScoreError) -> str:
    """Return in our words why a pattern makes no notes."""
    return FAULTS.get(getattr(error, "name", ""), "These choices do not go together. Choose another.")


def owner_of(score: Score) -> str:
    """Return what a score belongs to, in words."""
    if score.piece is not None:
        return score.piece.title
    return f"{score.unit.book.title}, unit {score.unit.position}" if score.unit is not None else ""
