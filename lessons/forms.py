"""Forms of the week: lines of the sheet, tries, uploads and takes."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.utils.datastructures import MultiValueDict

from curriculum.forms import LineField, PlainForm
from curriculum.models import MOST_MINUTES, Learner, Score, Skill, Unit
from curriculum.queries import LearnerGraph, PieceState, UnitState, pieces_of, scores_for, visible_skills
from curriculum.rubric import dimension_choices
from lessons.media.clock import read_clock, write_clock
from lessons.media.errors import ClockError
from lessons.models import LEAST_BPM, MOST_BPM, Assignment, CameraView, Lesson
from lessons.planning.bars import read_bars, write_bars
from lessons.planning.errors import BarsError
from lessons.services import MOST_DIMENSIONS, Line, line_of_piece, line_of_skill, line_of_unit

HANDS_CHOICES = [("", "as written"), *Assignment.Hands.choices]
WHOLE_LESSON = "whole"
# What a chooser of files offers: kinds for phones, and endings for what some of them do not know by its kind.
CLIP_TYPES = "video/*,audio/*,.mov,.mp4,.m4a,.wav,.mid,.midi"


class BarsField(forms.CharField):
    """Bars as a learner types them, kept the short way: “5-8, 12”."""

    def __init__(self, **kwargs: Any) -> None:
        # 40 characters are what the table keeps; about ten ranges.
        defaults: dict[str, Any] = {
            "label": "Bars",
            "required": False,
            "max_length": 40,
            "widget": forms.TextInput(attrs={"class": "short", "autocomplete": "off", "inputmode": "text"}),
        }
        super().__init__(**defaults | kwargs)

    def clean(self, value: Any) -> str:
        text = super().clean(value)
        try:
            bars = write_bars(read_bars(text))
        except BarsError as error:
            raise ValidationError(str(error), code="bars") from error
        if self.max_length is not None and len(bars) > self.max_length:  # blanks were added between them
            raise ValidationError(f"“{bars[:20]}…” are too many bars for one line. Write ranges, such as 5-8, 12.")
        return bars


class HandsField(forms.ChoiceField):
    """Which hands play."""

    def __init__(self, **kwargs: Any) -> None:
        defaults: dict[str, Any] = {"label": "Hands", "choices": HANDS_CHOICES, "required": False}
        super().__init__(**defaults | kwargs)


class TempoField(forms.IntegerField):
    """Quarter notes a minute."""

    def __init__(self, **kwargs: Any) -> None:
        message = f"Write quarter notes a minute, from {LEAST_BPM} to {MOST_BPM}, such as 66."
        defaults: dict[str, Any] = {
            "label": "Tempo",
            "required": False,
            "min_value": LEAST_BPM,
            "max_value": MOST_BPM,
            "error_messages": {"invalid": message, "min_value": message, "max_value": message},
            "widget": forms.NumberInput(attrs={"class": "short", "inputmode": "numeric"}),
        }
        super().__init__(**defaults | kwargs)


class MinutesField(forms.IntegerField):
    """Minutes a day of one line."""

    def __init__(self, **kwargs: Any) -> None:
        message = f"Write minutes a day, from 1 to {MOST_MINUTES}, such as 10."
        defaults: dict[str, Any] = {
            "label": "Minutes a day",
            "min_value": 1,
            "max_value": MOST_MINUTES,
            "error_messages": {"invalid": message, "min_value": message, "max_value": message, "required": message},
            "widget": forms.NumberInput(attrs={"class": "short", "inputmode": "numeric"}),
        }
        super().__init__(**defaults | kwargs)


class ClockField(forms.CharField):
    """A moment of a clip, typed as minutes and seconds; cleaned to seconds."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TextInput(attrs={"class": "short", "autocomplete": "off", "inputmode": "text"})
        defaults: dict[str, Any] = {
            "widget": widget,
            "error_messages": {"required": "Write minutes and seconds, such as 0:12.5."},
        }
        super().__init__(**defaults | kwargs)

    def prepare_value(self, value: Any) -> Any:
        return write_clock(value) if isinstance(value, float | int) else value

    def clean(self, value: Any) -> float:
        try:
            return read_clock(super().clean(value))
        except ClockError as error:
            raise ValidationError(str(error), code="clock") from error


class ProposedLineForm(PlainForm):
    """One line of a proposal: kept or not, and what may be changed before it is set."""

    keep = forms.BooleanField(required=False, initial=True)
    minutes = MinutesField()
    bars = BarsField()
    hands = HandsField()
    bpm = TempoField()

    def __init__(self, data: Mapping[str, Any] | None = None, *, line: Line) -> None:
        self.line = line
        initial = {"keep": True, "minutes": line.minutes, "bars": line.bars, "hands": line.hands, "bpm": line.bpm}
        super().__init__(data, prefix=line.key.replace(":", "-"), initial=initial)
        self.fields["keep"].label = f"Keep “{line.title}” on the sheet"

    @property
    def is_kept(self) -> bool:
        return bool(self["keep"].value())

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not cleaned.get("keep"):
            self.errors.clear()  # a line that is left out needs nothing
        return cleaned

    def chosen_line(self) -> Line:
        """Return the line with what the learner wrote."""
        for name in ("minutes", "bars", "hands", "bpm"):
            setattr(self.line, name, self.cleaned_data[name])
        return self.line


class LineForm(PlainForm):
    """A line of the sheet, changed by hand."""

    bars = BarsField()
    hands = HandsField()
    bpm = TempoField()
    minutes = MinutesField()
    why = forms.CharField(
        label="Why it is on the sheet",
        max_length=300,
        error_messages={"required": "Say in a few words why this is on the sheet."},
    )
    dimensions = forms.MultipleChoiceField(
        label="Judged by",
        help_text=f"One to {MOST_DIMENSIONS}, chosen before you play.",
        required=False,
        widget=forms.CheckboxSelectMultiple(attrs={"class": "list"}),
    )
    skills = forms.ModelMultipleChoiceField(
        label="Skills it exercises",
        queryset=Skill.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple(attrs={"class": "list"}),
    )
    one_more_skill = forms.ModelChoiceField(
        label="One more skill",
        queryset=Skill.objects.none(),
        required=False,
        empty_label="none",
    )
    score = forms.ModelChoiceField(
        label="Notes",
        queryset=Score.objects.none(),
        required=False,
        empty_label="none",
        help_text="What is played is held against these.",
    )

    def __init__(self, data: Mapping[str, Any] | None = None, *, row: Assignment, learner: Learner) -> None:
        chosen = list(row.skills.all())
        initial = {name: getattr(row, name) for name in ("bars", "hands", "bpm", "minutes", "why", "dimensions")} | {
            "skills": chosen,
            "score": row.score_id,
        }
        super().__init__(data, initial=initial)
        self.kind = row.kind
        self.fields["dimensions"].choices = dimension_choices()  # type: ignore[attr-defined]
        offered = {skill.pk for skill in chosen}
        if row.unit is not None:
            offered |= set(row.unit.teaches.values_list("pk", flat=True))
        if row.piece is not None:
            offered |= set(row.piece.needs.values_list("pk", flat=True))
        own = Skill.objects.filter(learner=learner)
        self.fields["skills"].queryset = own.filter(pk__in=offered)  # type: ignore[attr-defined]
        self.fields["one_more_skill"].queryset = visible_skills(learner).exclude(pk__in=offered)  # type: ignore[attr-defined]
        if not offered:
            del self.fields["skills"]
        scores = scores_for(learner, unit=row.unit, piece=row.piece, keep=row.score_id)
        self.fields["score"].queryset = scores  # type: ignore[attr-defined]
        if not scores.exists():
            del self.fields["score"]

    def clean_dimensions(self) -> list[str]:
        chosen: list[str] = self.cleaned_data["dimensions"]
        if len(chosen) > MOST_DIMENSIONS:
            raise ValidationError(
                f"You chose {len(chosen)}. Choose at most {MOST_DIMENSIONS}; more cannot be judged well."
            )
        if not chosen and self.kind != Assignment.Kind.OLDER:
            raise ValidationError("Choose at least one thing to judge, before you play.")
        return chosen

    def chosen_skills(self) -> list[Skill]:
        """Return what the line exercises now."""
        skills = list(self.cleaned_data.get("skills") or [])
        more = self.cleaned_data["one_more_skill"]
        return [*skills, more] if more and more not in skills else skills


class NewLineForm(PlainForm):
    """A line that the learner adds: an open unit, an open piece, or one skill."""

    what = forms.ChoiceField(
        label="What",
        error_messages={
            "required": "Choose what to add.",
            "invalid_choice": "This cannot be added: it is held, or not yours. Choose one from the list.",
        },
    )
    minutes = MinutesField(initial=5)
    bars = BarsField()
    hands = HandsField()
    bpm = TempoField()
    why = forms.CharField(label="Why", max_length=300, required=False, help_text="May be left open.")
    token = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(self, data: Mapping[str, Any] | None = None, *, graph: LearnerGraph) -> None:
        super().__init__(data, initial={"token": uuid.uuid4()})
        self.graph = graph
        begun = {UnitState.OPEN, UnitState.IN_WORK}
        self.units = {str(unit.pk): unit for unit in graph.units.values() if graph.unit_state(unit) in begun}
        playable = {PieceState.OPEN, PieceState.IN_WORK, PieceState.LEARNT}
        self.pieces = {
            str(piece.pk): piece for piece in pieces_of(graph.learner) if graph.piece_state(piece) in playable
        }
        self.skills = {str(skill.pk): skill for skill in graph.skills.values() if not skill.is_hidden}
        groups: list[tuple[str, list[tuple[str, str]]]] = [
            ("Units, open or in work", [(f"unit:{pk}", _unit_name(unit)) for pk, unit in self.units.items()]),
            ("Pieces, open, in work or learnt", [(f"piece:{pk}", piece.title) for pk, piece in self.pieces.items()]),
            ("One skill, to be shown", [(f"skill:{pk}", skill.name) for pk, skill in self.skills.items()]),
        ]
        self.fields["what"].choices = [("", "choose"), *(group for group in groups if group[1])]  # type: ignore[attr-defined]

    def chosen_line(self) -> Line:
        """Return the line with what the learner wrote; dimensions are suggested and can be changed afterwards."""
        kind, pk = self.cleaned_data["what"].split(":", 1)
        why = self.cleaned_data["why"].strip() or "You chose it yourself."
        if kind == "unit":
            line = line_of_unit(self.units[pk], self.graph, why=why)
        elif kind == "piece":
            line = line_of_piece(self.pieces[pk], self.graph, why=why)
        else:
            line = line_of_skill(self.skills[pk], self.graph, why=why)
        for name in ("minutes", "bars", "hands", "bpm"):
            setattr(line, name, self.cleaned_data[name])
        return line


def _unit_name(unit: Unit) -> str:
    return f"{unit.title} ({unit.book.title})"


class MoveForm(PlainForm):
    """Where a line goes."""

    to = forms.IntegerField(min_value=1, max_value=100)


class FirstTryForm(PlainForm):
    """The first try of today, by one tap."""

    was_right = forms.ChoiceField(
        choices=[("yes", "right"), ("no", "not yet")], error_messages={"required": "Say whether it was right."}
    )

    @property
    def is_right(self) -> bool:
        return bool(self.cleaned_data["was_right"] == "yes")


class TryForm(FirstTryForm):
    """One try, with the stretch that was played."""

    bars = BarsField()
    hands = HandsField()
    bpm = TempoField()
    token = forms.UUIDField(widget=forms.HiddenInput, required=False)


class ClipFactsForm(PlainForm):
    """What the learner says about a clip, however its bytes come."""

    assignment = forms.ChoiceField(
        label="What is on it?",
        widget=forms.RadioSelect(attrs={"class": "list"}),
        error_messages={
            "required": "Say what is on the clip.",
            "invalid_choice": "This line is no longer on the sheet. Choose again.",
        },
    )
    was_first_today = forms.ChoiceField(
        label="Was this the first time today?",
        help_text="The first try of a day counts most. It need not be a good one.",
        choices=[("yes", "yes, the first"), ("no", "no, played before")],
        widget=forms.RadioSelect,
        error_messages={"required": "Say whether you had played it before on that day."},
    )
    played_on = forms.DateField(
        label="Played on",
        widget=forms.DateInput(attrs={"type": "date", "class": "short"}, format="%Y-%m-%d"),
        error_messages={"required": "Write the day on which you played.", "invalid": "Write the day as 2031-05-24."},
    )
    upload_token = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(
        self,
        data: Mapping[str, Any] | None = None,
        files: "MultiValueDict[str, UploadedFile[Any]] | None" = None,
        *,
        lesson: Lesson,
        lines: Sequence[Assignment],
        today: date,
        chosen: str = "",
    ) -> None:
        self.lesson, self.today = lesson, today
        self.lines = {str(line.pk): line for line in lines}
        initial = {
            "upload_token": uuid.uuid4(),
            "played_on": today,
            "assignment": chosen if chosen in self.lines else "",
        }
        super().__init__(data, files, initial=initial)
        self.fields["assignment"].choices = [  # type: ignore[attr-defined]
            (WHOLE_LESSON, "The whole lesson in one clip"),
            *((pk, f"{line.letter}: {line.name}") for pk, line in self.lines.items()),
        ]

    def clean_played_on(self) -> date:
        played_on: date = self.cleaned_data["played_on"]
        if played_on > self.today:
            raise ValidationError("That day is still to come. Write the day on which you played.")
        if played_on < self.lesson.starts_on:
            raise ValidationError(f"This lesson begins on {self.lesson.starts_on:%-d %B}. Write a day from then on.")
        return played_on

    @property
    def chosen_assignment(self) -> Assignment | None:
        return self.lines.get(self.cleaned_data["assignment"])

    @property
    def facts(self) -> dict[str, Any]:
        """What was said, by the names that services know it by."""
        return {
            "played_on": self.cleaned_data["played_on"],
            "assignment": self.chosen_assignment,
            "was_first_today": self.cleaned_data["was_first_today"] == "yes",
        }


class UploadForm(ClipFactsForm):
    """A clip from the phone."""

    clip = forms.FileField(
        label="The clip",
        help_text="Film, sound or MIDI, as your phone or piano made it.",
        widget=forms.FileInput(attrs={"accept": CLIP_TYPES}),
        error_messages={
            "required": "Choose the clip first.",
            "empty": "This file is empty. Choose the clip again; nothing was stored.",
            "missing": "The file did not arrive. Choose the clip again.",
            "invalid": "The file did not arrive. Choose the clip again.",
        },
    )


class TakeForm(PlainForm):
    """The ends of a take, and for a new one what is played."""

    assignment = forms.ChoiceField(
        label="What is played",
        error_messages={
            "required": "Choose what is played here.",
            "invalid_choice": "This line is no longer on the sheet. Choose again.",
        },
    )
    start_s = ClockField(label="From")
    end_s = ClockField(label="To")

    def __init__(self, *args: Any, lines: Sequence[Assignment] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = {str(line.pk): line for line in lines or []}
        if lines is None:
            del self.fields["assignment"]
        else:
            self.fields["assignment"].choices = [  # type: ignore[attr-defined]
                ("", "choose"),
                *((pk, f"{line.letter}: {line.name}") for pk, line in self.lines.items()),
            ]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        start_s, end_s = cleaned.get("start_s"), cleaned.get("end_s")
        if start_s is not None and end_s is not None and end_s <= start_s:
            self.add_error("end_s", "A take ends after it starts.")
        return cleaned

    @property
    def chosen_assignment(self) -> Assignment:
        return self.lines[self.cleaned_data["assignment"]]


# What a form says of a picture of no camera view: a whole page of a book, a diagram. The table keeps it as nothing.
NO_VIEW = "none"


class PictureForm(PlainForm):
    """From where a picture is taken, and a few words on it."""

    view = forms.ChoiceField(
        label="From where is it seen?",
        help_text="A still is first held against a picture seen from the same place.",
        choices=[*CameraView.choices, (NO_VIEW, "none of these")],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose from where it is seen, or none of these."},
    )
    words = LineField(
        label="What it shows",
        help_text="Such as: forearm level, shoulders low. May be left open.",
        required=False,
        max_length=200,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def clean_view(self) -> str:
        view: str = self.cleaned_data["view"]
        return "" if view == NO_VIEW else view


class NewPictureForm(PictureForm):
    """A picture to be kept for a unit or a skill."""

    picture = forms.FileField(
        label="The picture",
        help_text="A photo from your phone, or a picture file: JPEG, PNG, WebP or HEIC.",
        widget=forms.FileInput(attrs={"accept": "image/*,.heic,.heif"}),
        error_messages={
            "required": "Choose the picture first.",
            "empty": "This file is empty. Choose the picture again; nothing was kept.",
            "missing": "The file did not arrive. Choose the picture again.",
            "invalid": "The file did not arrive. Choose the picture again.",
        },
    )
    token = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["picture", "view", "words"])


class StillForm(PlainForm):
    """A moment of a take, to be kept as a still."""

    at_s = ClockField(label="The moment", help_text="Minutes and seconds of the clip, such as 0:12.5.")


class KeepStillForm(PlainForm):
    """What a still becomes the reference picture of."""

    what = forms.ChoiceField(
        label="Keep it for",
        error_messages={
            "required": "Choose what it is a picture of.",
            "invalid_choice": "This cannot be chosen any more. Choose again.",
        },
    )
    token = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, unit: Unit | None, skills: Sequence[Skill], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit = unit
        self.skills = {f"skill:{skill.pk}": skill for skill in skills}
        units = [("unit", f"The unit “{unit.title}”")] if unit is not None else []
        self.fields["what"].choices = [  # type: ignore[attr-defined]
            ("", "choose"),
            *units,
            *((name, skill.name) for name, skill in self.skills.items()),
        ]

    @property
    def chosen_skill(self) -> Skill | None:
        """The skill; None where the unit was chosen."""
        return self.skills.get(self.cleaned_data["what"])
