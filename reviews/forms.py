"""Forms of the review: a mark, a note at a moment, the skills' own lines, a verdict, the one thing to work on; a typed rhythm."""

import re
from collections.abc import Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from curriculum.forms import PlainForm
from curriculum.models import Skill
from curriculum.rubric import Dimension, dimension_choices, rubric
from lessons.forms import BarsField, ClockField
from lessons.models import Assignment
from lessons.services import WayBack
from reviews.compare.unscored import RhythmError, read_rhythm
from reviews.models import MOST_RHYTHM, SkillAnswer
from reviews.queries import AssignmentReview

CANNOT_TELL = "cannot_tell"

# Words of pain, numbness and lost control. What they name is never put on a sheet to be played again; a word too many
# here asks for other words, a word too few sends somebody back to what hurts.
SYMPTOM = re.compile(
    r"\b(hurt(s|ing)?|pain(s|ful|fully)?|ach(e|es|ed|ing|y)|sore(ness)?|numb(ness)?|tingl(e|es|ed|ing|y)|burn(s|ed|t|ing)?"
    r"|cramp(s|ed|ing)?|swell(s|ing)?|swollen|throb(s|bing)?|pins and needles|weakness"
    r"|(stop(s|ped)?|will not|won[’']t|not) obey(s|ing)?|los(e|es|t|ing) control)\b",
    re.IGNORECASE,
)
SYMPTOM_TEXT = (
    "Pain, numbness or lost control is not practised away, so these words go on no sheet. "
    "Read “If something hurts” first. If you meant something else, say it in other words."
)


def names_symptom(text: str) -> bool:
    """Return whether words speak of pain, numbness or lost control."""
    return SYMPTOM.search(text) is not None


class MarkForm(PlainForm):
    """The learner's own mark: one of four levels, or *cannot tell*. Nothing is chosen beforehand."""

    level = forms.ChoiceField(
        choices=[
            *((str(level), name) for level, name in enumerate(rubric().level_names, start=1)),
            (CANNOT_TELL, "cannot tell"),
        ],
        error_messages={
            "required": "Choose one of the four, or cannot tell.",
            "invalid_choice": "Choose one of the four, or cannot tell.",
        },
    )
    bars = BarsField(label="In which bars?", help_text="None is fine. Such as 3, 7-8.", max_length=80)

    @property
    def chosen_level(self) -> int | None:
        """The level; None is *cannot tell*."""
        level = self.cleaned_data["level"]
        return None if level == CANNOT_TELL else int(level)


class NoteForm(PlainForm):
    """A note pinned to a moment of the clip."""

    at_s = ClockField(label="At")
    text = forms.CharField(
        label="What you noticed",
        max_length=300,
        error_messages={"required": "Write what you noticed at that moment."},
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class RhythmForm(PlainForm):
    """The rhythm of a line that has no score; blank takes it back."""

    rhythm = forms.CharField(
        label="Its rhythm, once through",
        required=False,
        max_length=MOST_RHYTHM,
        help_text=(
            "Note values in order, such as: 2 quarters, half | 4 eighths, dotted quarter, eighth. "
            "Rests and ties too: quarter rest, half tied to eighth. Bar lines may be left out."
        ),
        widget=forms.Textarea(attrs={"rows": 2, "autocomplete": "off", "autocapitalize": "off", "spellcheck": "false"}),
    )

    def clean_rhythm(self) -> str:
        text: str = self.cleaned_data["rhythm"].strip()
        try:
            read_rhythm(text)
        except RhythmError as error:
            raise ValidationError(str(error), code="rhythm") from error
        return text


class SkillsForm(PlainForm):
    """The skills' own lines: yes, not yet, or cannot tell, for each."""

    def __init__(self, *args: Any, skills: Sequence[Skill], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.skills = {f"skill-{skill.pk}": skill for skill in skills}
        message = "Say yes, not yet, or cannot tell."
        for name, skill in self.skills.items():
            self.fields[name] = forms.ChoiceField(
                label=skill.name,
                choices=SkillAnswer.Answer.choices,
                widget=forms.RadioSelect,
                error_messages={"required": message, "invalid_choice": message},
            )

    @property
    def answers(self) -> dict[Skill, str]:
        return {skill: self.cleaned_data[name] for name, skill in self.skills.items()}

    @property
    def rows(self) -> list[tuple[Skill, forms.BoundField]]:
        """Each skill with its field, for the page."""
        return [(skill, self[name]) for name, skill in self.skills.items()]


class VerdictForm(PlainForm):
    """Move on, another week, or go back; and one thing to change when not moving on."""

    verdict = forms.ChoiceField(
        choices=Assignment.Verdict.choices,
        error_messages={"required": "Choose what comes next.", "invalid_choice": "Choose what comes next."},
    )
    dimension = forms.ChoiceField(label="What it is about", required=False)
    text = forms.CharField(
        label="What to change",
        required=False,
        max_length=300,
        help_text="It comes first on the next sheet. May be left open.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    bars = BarsField()
    is_sure = forms.BooleanField(required=False)

    def __init__(self, *args: Any, line: AssignmentReview, way_back: WayBack | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.way_back = way_back
        asked = set(line.assignment.dimensions)
        choices = sorted(dimension_choices(), key=lambda choice: choice[0] not in asked)
        self.fields["dimension"].choices = [("", "choose"), *choices]  # type: ignore[attr-defined]

    def clean_verdict(self) -> str:
        verdict: str = self.cleaned_data["verdict"]
        if verdict == Assignment.Verdict.GO_BACK and self.way_back is None:
            raise ValidationError("Nothing comes before this to go back to. Choose move on or another week.")
        return verdict

    @property
    def asks_whether_sure(self) -> bool:
        """*Go back* takes up another unit as well, so it is pressed twice."""
        is_back = self.cleaned_data["verdict"] == Assignment.Verdict.GO_BACK
        return is_back and not self.cleaned_data["is_sure"]

    def clean_text(self) -> str:
        text: str = self.cleaned_data["text"].strip()
        if names_symptom(text):
            raise ValidationError(SYMPTOM_TEXT, code="symptom")
        return text

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        text, dimension = cleaned.get("text"), cleaned.get("dimension")
        if text and cleaned.get("verdict") == Assignment.Verdict.MOVE_ON:
            self.add_error("text", "You move on, so nothing is left to change. Empty this, or choose another week.")
        elif text and not dimension and "dimension" not in self.errors:
            self.add_error("dimension", "Say what the correction is about.")
        elif not text and "text" not in self.errors and (cleaned.get("bars") or dimension):
            self.add_error("text", "Say in a few words what to change, or empty the other two.")
        return cleaned


class WorkOnForm(PlainForm):
    """The one thing to work on, for the whole lesson."""

    work_on = forms.ChoiceField(
        error_messages={"required": "Choose one thing to work on.", "invalid_choice": "Choose one thing to work on."}
    )
    text = forms.CharField(
        label="In your own words",
        required=False,
        max_length=300,
        help_text="So that you know in a week what you meant. May be left open.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, *args: Any, dimensions: Sequence[Dimension], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["work_on"].choices = [(dimension.id, dimension.name) for dimension in dimensions]  # type: ignore[attr-defined]

    def clean_text(self) -> str:
        text: str = self.cleaned_data["text"].strip()
        if names_symptom(text):
            raise ValidationError(SYMPTOM_TEXT, code="symptom")
        return text
