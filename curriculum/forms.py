"""Forms of the learner, books, units, skills and pieces. Every message says what was found and what was wanted."""

import unicodedata
import zoneinfo
from collections.abc import Iterable
from typing import Any, ClassVar, cast
from uuid import UUID

from django import forms
from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError

from curriculum.graph.bars import read_bars, write_bars
from curriculum.graph.errors import BarsError
from curriculum.models import LEAST_MINUTES, MOST_MINUTES, WEEKDAYS, Book, Learner, Piece, Skill, Unit, validate_link
from curriculum.outline.book import (
    LONGEST_LINK,
    LONGEST_NEW_WORDS,
    LONGEST_PAGE,
    LONGEST_SIGN,
    LONGEST_TITLE,
    MOST_IN_LIST,
    MOST_SIGNS,
)
from curriculum.queries import FAMILIES

# Characters of a pasted contents list that the box takes: 5,000 lines of 80. What is longer is refused with its size.
LONGEST_PASTE = 400_000
# Bytes of a book file: its own reader refuses more as well; here it spares reading a clip chosen by mistake.
MOST_FILE_BYTES = 4_000_000
# Kinds of characters that print nothing and that no file of ours can carry: control signs, halves of a pair, separators
# of lines and paragraphs.
UNPRINTED = {"Cc", "Cs", "Zl", "Zp"}
# Printed grades that a learner may name.
GRADES = range(1, 9)


# What a field says where it says nothing of its own, by the kind of field and then by the fault.
MISSING: list[tuple[type[forms.Field], str]] = [
    (forms.MultipleChoiceField, "Choose at least one."),
    (forms.ModelMultipleChoiceField, "Choose at least one."),
    (forms.ChoiceField, "Choose one."),
    (forms.ModelChoiceField, "Choose one."),
    (forms.FileField, "Choose a file first."),
    (forms.Field, "Write something here."),
]
FAULTS = {
    "invalid_choice": "“%(value)s” is none of these. Choose again.",
    "invalid_list": "Choose again.",
    "max_length": "This is %(show_value)d characters long; at most %(limit_value)d characters fit.",
    "min_value": "Write %(limit_value)s or more.",
    "max_value": "Write %(limit_value)s or less.",
    "null_characters_not_allowed": "This holds a character that cannot be kept. Type it anew.",
}
# What the checks of a password say, by their codes.
PASSWORD_FAULTS = {
    "password_too_short": "This is shorter than eight characters. Three or four words are easy to keep.",
    "password_too_common": "Many people use this one, so it is tried first. Choose another.",
    "password_entirely_numeric": "Digits alone are soon guessed. Add a few letters.",
    "password_too_similar": "This is too much like the name. Choose another.",
}


class PlainForm(forms.Form):
    """A form that says in our own words what is missing or does not fit, wherever a field has no words of its own."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for field in self.fields.values():
            speak_plainly(field)


def speak_plainly(field: forms.Field) -> None:
    """Replace what the framework would say; what was written for this field stays."""
    missing = next(words for kind, words in MISSING if isinstance(field, kind))
    ours = FAULTS | {"required": missing}
    if isinstance(field, forms.IntegerField):
        ours["invalid"] = "Write a whole number."
    for code, words in ours.items():
        # The framework's own sentences are translated late; those written here are plain text.
        if not isinstance(field.error_messages.get(code), str):
            field.error_messages[code] = words


def say_of_password(error: ValidationError) -> list[str]:
    """Return what is wrong with a password, in our words."""
    return [PASSWORD_FAULTS.get(each.code or "", each.messages[0]) for each in error.error_list]


def one_line(value: str) -> str:
    """Collapse what a paste may have brought: tabs, line ends, several spaces, and signs that print nothing."""
    return " ".join("".join(char if unicodedata.category(char) not in UNPRINTED else " " for char in value).split())


def plain_lines(value: str) -> str:
    """Return text of several lines with one kind of line end and without signs that print nothing."""
    return "\n".join(one_line(line) for line in value.splitlines())


class LineField(forms.CharField):
    """Text on one line, however it was pasted."""

    def to_python(self, value: Any) -> str:
        return one_line(super().to_python(value) or "")


class LinesField(forms.CharField):
    """Text of several lines, however it was pasted."""

    widget = forms.Textarea

    def to_python(self, value: Any) -> str:
        return plain_lines(super().to_python(value) or "")


class LinkField(forms.CharField):
    """A web address that opens outside; nothing else, and no script."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            max_length=LONGEST_LINK,
            validators=[validate_link],
            widget=forms.TextInput(attrs={"inputmode": "url", "autocapitalize": "none", "spellcheck": "false"}),
            **options,
        )


def time_zone_choices() -> list[tuple[str, Any]]:
    """Return the time zones that this computer knows, by continent."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for name in sorted(zoneinfo.available_timezones()):
        region, slash, place = name.partition("/")
        if slash and region not in {"Etc", "SystemV", "posix", "right"}:
            groups.setdefault(region, []).append((name, place.replace("_", " ")))
    return [("UTC", "UTC"), *groups.items()]


class TimeZoneField(forms.ChoiceField):
    def __init__(self, **options: Any) -> None:
        super().__init__(choices=time_zone_choices, label="Time zone", **options)


class AccountForm(PlainForm):
    """The first account."""

    username = forms.CharField(
        label="Name",
        max_length=150,
        help_text="What you sign in with. Letters, digits and @ . + - _",
        validators=[Learner.username_validator],
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}),
        error_messages={
            "required": "Write a name.",
            "invalid": "A name has letters, digits and @ . + - _ only, and no spaces.",
        },
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        help_text="At least eight characters, not all of them digits.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={"required": "Write a password."},
    )
    again = forms.CharField(
        label="Password again",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={"required": "Write the password a second time."},
    )
    time_zone = TimeZoneField(help_text="So that a day ends where you live.")

    def clean_username(self) -> str:
        username: str = self.cleaned_data["username"]
        if Learner.objects.filter(username=username).exists():
            raise ValidationError("The name “%(name)s” is taken. Choose another.", params={"name": username})
        return username

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        password, again = data.get("password"), data.get("again")
        if password and again and password != again:
            self.add_error("again", "The two passwords differ. Write the same one twice.")
        elif password:
            try:
                password_validation.validate_password(password, Learner(username=data.get("username", "")))
            except ValidationError as error:
                self.add_error("password", say_of_password(error))
        return data


class PasswordForm(PlainForm):
    """Another password for the learner who is signed in."""

    old = forms.CharField(
        label="Old password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        error_messages={"required": "Write the old password first."},
    )
    password = forms.CharField(
        label="New password",
        strip=False,
        help_text="At least eight characters, not all of them digits.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={"required": "Write a new password."},
    )
    again = forms.CharField(
        label="New password again",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={"required": "Write the new password a second time."},
    )

    def __init__(self, user: Learner, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.user = user

    def clean_old(self) -> str:
        old: str = self.cleaned_data["old"]
        if not self.user.check_password(old):
            raise ValidationError("This is not the old password. Capital letters count.")
        return old

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        password, again = data.get("password"), data.get("again")
        if password and again and password != again:
            self.add_error("again", "The two new passwords differ. Write the same one twice.")
        elif password:
            try:
                password_validation.validate_password(password, self.user)
            except ValidationError as error:
                self.add_error("password", say_of_password(error))
        return data

    def save(self) -> Learner:
        self.user.set_password(self.cleaned_data["password"])
        self.user.save(update_fields=["password"])
        return self.user


class WeekForm(PlainForm, forms.ModelForm):  # type: ignore[type-arg]
    """The learner's week and piano."""

    practice_days = forms.TypedMultipleChoiceField(
        coerce=int,
        choices=[(number, name[:3]) for number, name in WEEKDAYS],
        label="On which days can you practise?",
        widget=forms.CheckboxSelectMultiple(attrs={"class": "days"}),
        error_messages={"required": "Choose at least one day."},
    )
    minutes_per_day = forms.IntegerField(
        label="Minutes on such a day",
        help_text=f"Between {LEAST_MINUTES} and {MOST_MINUTES}",
        widget=forms.NumberInput(attrs={"class": "short", "min": LEAST_MINUTES, "max": MOST_MINUTES}),
        error_messages={"invalid": "Write a whole number of minutes, such as 30."},
    )
    film_day = forms.TypedChoiceField(
        coerce=int, choices=WEEKDAYS, label="On which day will you play the lesson to your phone?"
    )
    instrument = forms.ChoiceField(
        choices=Learner.Instrument.choices, label="What do you play on?", widget=forms.RadioSelect
    )
    has_played_before = forms.TypedChoiceField(
        coerce=lambda value: value in {True, "True"},
        choices=[(False, "no"), (True, "yes, years ago")],
        label="Have you played before?",
        help_text="If so, say where in the book you are. One clip within a month proves what you believe you still have.",
        widget=forms.RadioSelect,
    )

    class Meta:
        model = Learner
        fields: ClassVar[list[str]] = [
            "practice_days",
            "minutes_per_day",
            "film_day",
            "instrument",
            "has_played_before",
        ]

    def clean_minutes_per_day(self) -> int:
        minutes: int = self.cleaned_data["minutes_per_day"]
        if minutes > MOST_MINUTES:
            raise ValidationError(f"{minutes} is more than a day’s practice. Write minutes, such as 30.")
        if minutes < LEAST_MINUTES:
            raise ValidationError(f"{minutes} is too short to set anything. Write {LEAST_MINUTES} or more.")
        return minutes


class SettingsForm(WeekForm):
    first_weekday = forms.TypedChoiceField(coerce=int, choices=WEEKDAYS, label="First day of your week")
    time_zone = TimeZoneField(help_text="A day ends at midnight there.")

    class Meta(WeekForm.Meta):
        fields: ClassVar[list[str]] = [*WeekForm.Meta.fields, "first_weekday", "time_zone"]


class ContentsForm(PlainForm):
    """A book's title and its contents list as typed or pasted."""

    title = LineField(
        label="Title of the book",
        max_length=LONGEST_TITLE,
        error_messages={"required": "Write the book’s title first."},
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    contents = forms.CharField(
        label="Its contents list",
        required=False,
        strip=False,
        help_text="One unit a line, chapter headings on lines of their own. Page numbers may stand in front or behind.",
        widget=forms.Textarea(attrs={"class": "tall", "rows": 12, "autocapitalize": "sentences"}),
    )
    seen = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, learner: Learner, **options: Any) -> None:
        super().__init__(*args, **options)
        self.learner = learner

    def clean_title(self) -> str:
        title: str = self.cleaned_data["title"]
        if Book.objects.filter(learner=self.learner, title=title).exists():
            raise ValidationError(
                "You have a book called “%(title)s” already. To add units to it, open it and choose “Add units”.",
                params={"title": title},
            )
        return title

    def clean_contents(self) -> str:
        contents: str = self.cleaned_data["contents"]
        if len(contents) > LONGEST_PASTE:
            raise ValidationError(
                f"The list is {len(contents) // 1000} thousand characters long; at most {LONGEST_PASTE // 1000} thousand can be read. Paste it in parts."
            )
        return contents


class MoreContentsForm(ContentsForm):
    """More units for a book that is there already."""

    title = None  # type: ignore[assignment]

    def clean_title(self) -> str:
        return ""


class BookForm(PlainForm):
    title = LineField(
        label="Title of the book", max_length=LONGEST_TITLE, error_messages={"required": "Write the book’s title."}
    )


class BookFileForm(PlainForm):
    """A book file, looked at before anything is written."""

    file = forms.FileField(
        label="Book file",
        help_text="CSV or JSON, as Keyslip saves them. A spreadsheet can be saved as CSV.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.json,.txt,.tsv,text/csv,application/json"}),
        allow_empty_file=True,
        error_messages={"required": "Choose a file first."},
    )

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size == 0:
            raise ValidationError("The file “%(name)s” is empty.", params={"name": file.name})
        if file.size > MOST_FILE_BYTES:
            raise ValidationError(
                "The file “%(name)s” is %(size)s MB long; a book file has at most %(most)s MB.",
                params={
                    "name": file.name,
                    "size": round(file.size / 1_000_000, 1),
                    "most": MOST_FILE_BYTES // 1_000_000,
                },
            )
        return file


class SkillsField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]
    """Some of the learner's skills, named by slug."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            queryset=Skill.objects.none(),
            to_field_name="slug",
            required=False,
            error_messages={
                "invalid_choice": "“%(value)s” is none of your skills any more. Load the page again.",
                "invalid_pk_value": "“%(pk)s” is none of your skills any more. Load the page again.",
            },
            **options,
        )


class WithSkills(PlainForm):
    """A form that chooses among a learner's skills. The page draws the choices itself, by family."""

    def __init__(self, *args: Any, learner: Learner, **options: Any) -> None:
        super().__init__(*args, **options)
        self.learner = learner
        for field in self.fields.values():
            if isinstance(field, SkillsField):
                field.queryset = Skill.objects.filter(learner=learner)


class TeachesForm(WithSkills):
    """What is new in a unit: words, and the skills that they name."""

    words = LinesField(
        label="What is new in it, in your words",
        help_text="As the book says it, such as: left hand plays two-note chords; a new note, F sharp.",
        required=False,
        max_length=LONGEST_NEW_WORDS,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    find = LineField(label="Find a skill by its name", required=False, max_length=80)
    skills = SkillsField(label="Skills that are new in it")


class UnitForm(WithSkills):
    """One unit of a book."""

    title = LineField(label="Title", max_length=LONGEST_TITLE, error_messages={"required": "Write a title."})
    page = LineField(
        label="Page", required=False, max_length=LONGEST_PAGE, widget=forms.TextInput(attrs={"class": "short"})
    )
    chapter = LineField(label="Chapter", required=False, max_length=LONGEST_TITLE)
    link = LinkField(
        label="Demonstration",
        required=False,
        help_text="The web address of a performance that you trust. It opens outside Keyslip.",
    )
    place = forms.IntegerField(
        label="Place in the book",
        min_value=1,
        widget=forms.NumberInput(attrs={"class": "short", "min": 1}),
        error_messages={"invalid": "Write a whole number, such as 3."},
    )
    follows = forms.ChoiceField(
        label="Comes after",
        choices=Unit.Follows.choices,
        initial=Unit.Follows.BEFORE,
        widget=forms.RadioSelect,
    )
    after = LineField(
        label="Units it comes after",
        required=False,
        help_text="Their numbers, such as 3, 7. Left empty it comes after nothing. Only read with “the units named”.",
    )
    extra_needs = SkillsField(label="What else it needs")

    def __init__(self, *args: Any, book: Book, unit: Unit | None = None, last_place: int, **options: Any) -> None:
        super().__init__(*args, learner=book.learner, **options)
        self.book, self.unit, self.last_place = book, unit, last_place
        self.fields["place"].help_text = f"1 to {last_place}"
        self.after_units: list[Unit] = []

    def clean_place(self) -> int:
        place: int = self.cleaned_data["place"]
        if place > self.last_place:
            raise ValidationError(f"The book has no place {place}. Write a number from 1 to {self.last_place}.")
        return place

    def clean_after(self) -> str:
        text: str = self.cleaned_data["after"]
        if self.data.get("follows") != Unit.Follows.NAMED or not text:
            return text
        by_place = {unit.position: unit for unit in self.book.units.all()}
        for word in text.replace(";", ",").replace(" ", ",").split(","):
            if not word:
                continue
            if not word.isascii() or not word.isdigit() or int(word[:9]) not in by_place:
                raise ValidationError(
                    "This book has no unit %(word)s. Write numbers of its units, such as 3, 7.",
                    params={"word": word[:20]},
                )
            found = by_place[int(word[:9])]
            if self.unit is not None and found.pk == self.unit.pk:
                raise ValidationError("A unit cannot come after itself.")
            if found not in self.after_units:
                self.after_units.append(found)
        if len(self.after_units) > MOST_IN_LIST:
            raise ValidationError(f"{len(self.after_units)} units are too many. Name at most {MOST_IN_LIST}.")
        return text


class MoveForm(PlainForm):
    place = forms.IntegerField(label="Move it to place", min_value=1)


class ReasonForm(PlainForm):
    """A reason in the learner's own words."""

    reason = LineField(
        label="Your reason", max_length=200, error_messages={"required": "Write a reason. A few words are enough."}
    )


class HandForm(ReasonForm):
    """A standing set by hand."""

    passed = forms.TypedChoiceField(
        label="Set it to",
        coerce=lambda value: value in {True, "True"},
        choices=[(True, "ticked"), (False, "in work")],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one of the two."},
    )


class SkillForm(WithSkills):
    """A skill in the learner's own words."""

    name = LineField(label="Name", max_length=80, error_messages={"required": "Write a name."})
    group = forms.ChoiceField(label="Family", choices=list(FAMILIES.items()), initial="own")
    definition = LinesField(
        label="What it is", required=False, max_length=600, widget=forms.Textarea(attrs={"rows": 3})
    )
    see_or_hear = forms.CharField(
        label="How you can see or hear it",
        required=False,
        help_text="One sign a line. You will be asked about these when you judge a clip.",
        widget=forms.Textarea(attrs={"rows": 4}),
    )
    gate = forms.ChoiceField(
        label="What it does",
        choices=[
            (Skill.Gate.TICK, "must be ticked before what needs it opens"),
            (Skill.Gate.WATCH, "is watched for ever and holds nothing back"),
        ],
        initial=Skill.Gate.TICK,
        widget=forms.RadioSelect(attrs={"class": "list"}),
    )
    needs = SkillsField(label="What it needs first")

    def __init__(self, *args: Any, skill: Skill | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.skill = skill

    def clean_name(self) -> str:
        name: str = self.cleaned_data["name"]
        others = Skill.objects.filter(learner=self.learner, name__iexact=name)
        if self.skill is not None:
            others = others.exclude(pk=self.skill.pk)
        if others.exists():
            raise ValidationError("You have a skill called “%(name)s” already.", params={"name": name})
        return name

    def clean_see_or_hear(self) -> list[str]:
        lines = [line for line in (one_line(line) for line in self.cleaned_data["see_or_hear"].splitlines()) if line]
        if len(lines) > MOST_SIGNS:
            raise ValidationError(f"{len(lines)} lines are more than can be judged. Write at most {MOST_SIGNS}.")
        for line in lines:
            if len(line) > LONGEST_SIGN:
                raise ValidationError(
                    "“%(start)s…” has %(size)s characters; a line has at most %(most)s.",
                    params={"start": line[:30], "size": len(line), "most": LONGEST_SIGN},
                )
        return lines


class PieceForm(PlainForm, forms.ModelForm):  # type: ignore[type-arg]
    title = LineField(label="Title", max_length=160, error_messages={"required": "Write a title."})
    composer = LineField(label="Composer", max_length=120, required=False)
    source = LineField(
        label="Where you have it from",
        max_length=160,
        required=False,
        help_text="A book, a loose sheet, a friend’s copy.",
    )
    link = forms.CharField(
        label="Demonstration",
        required=False,
        max_length=500,
        validators=[validate_link],
        help_text="The web address of a performance that you trust. It opens outside Keyslip.",
        widget=forms.TextInput(attrs={"inputmode": "url", "autocapitalize": "none", "spellcheck": "false"}),
    )
    is_dream = forms.BooleanField(
        label="This is a piece I dream of", required=False, help_text="The way to it stands on the page “Way”."
    )
    why_this_one = LineField(label="Why this one", max_length=300, required=False)

    class Meta:
        model = Piece
        fields: ClassVar[list[str]] = ["title", "composer", "source", "link", "is_dream", "why_this_one"]


class NewPieceForm(PieceForm):
    """A piece that is not there yet; pressed twice it is added once."""

    def __init__(self, *args: Any, learner: Learner, **options: Any) -> None:
        super().__init__(*args, **options)
        self.learner = learner

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        title = data.get("title")
        same = Piece.objects.filter(learner=self.learner, title=title, composer=data.get("composer", ""))
        if title and same.exists():
            message = "You have the piece “%(title)s” already. Write what tells this one from it."
            self.add_error("title", ValidationError(message, params={"title": title}))
        return data


class LookForm(WithSkills):
    """What a piece needs."""

    needs = SkillsField(label="What it needs")
    beyond = LinesField(
        label="What it asks that no skill here names",
        required=False,
        max_length=1000,
        help_text="One thing a line. Each of these holds the piece back until you take it out.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors and not data.get("needs") and not data.get("beyond", "").strip():
            raise ValidationError("Choose at least one skill that it needs. Until then it stays not looked at.")
        return data


class ProposalForm(PlainForm):
    """How hard a piece is, said roughly: a printed grade, a comparison, or words."""

    grade = forms.TypedChoiceField(
        label="It has a printed grade",
        coerce=int,
        empty_value=None,
        required=False,
        choices=[("", "no grade"), *((number, f"grade {number}") for number in GRADES)],
        error_messages={"invalid_choice": "Printed grades go from 1 to 8."},
    )
    compare = forms.ChoiceField(
        label="Beside your book it looks",
        required=False,
        choices=[
            ("last", "about like its last page"),
            ("harder", "harder than its last page"),
            ("much", "much harder"),
        ],
        widget=forms.RadioSelect(attrs={"class": "list"}),
    )
    book = forms.ModelChoiceField(label="Which book?", queryset=Book.objects.none(), required=False, empty_label=None)
    words = LineField(
        label="In your words it asks for",
        required=False,
        max_length=500,
        help_text="Such as: broken chords in the left hand; pedal.",
    )

    def __init__(self, *args: Any, learner: Learner, **options: Any) -> None:
        super().__init__(*args, **options)
        books = Book.objects.filter(learner=learner)
        self.has_books = books.exists()
        if not self.has_books:
            del self.fields["compare"], self.fields["book"]
            return
        field = cast("forms.ModelChoiceField[Book]", self.fields["book"])
        field.queryset = books
        if len(books) == 1:
            field.widget, field.initial = forms.HiddenInput(), books[0].pk


class PlaceForm(PlainForm):
    """Where in the book the learner is."""

    unit = forms.UUIDField(error_messages={"required": "Choose a unit.", "invalid": "Choose a unit of this book."})

    def __init__(self, *args: Any, units: Iterable[Unit], **options: Any) -> None:
        super().__init__(*args, **options)
        self.units = {unit.pk: unit for unit in units}

    def clean_unit(self) -> Unit:
        chosen: UUID = self.cleaned_data["unit"]
        if chosen not in self.units:
            raise ValidationError("This unit is not in the book any more. Choose another.")
        return self.units[chosen]


class BarsForm(PlainForm):
    """Bars of a piece and a skill that they need, written by hand."""

    bars = LineField(label="Bars", max_length=200, widget=forms.TextInput(attrs={"placeholder": "9-16, 21"}))
    skill = forms.ChoiceField(label="need", error_messages={"invalid_choice": "Choose one of your skills."})

    def __init__(self, *args: Any, skills: Iterable[Skill], **options: Any) -> None:
        super().__init__(*args, **options)
        named = sorted(((skill.slug, skill.name) for skill in skills), key=lambda choice: choice[1].casefold())
        cast("forms.ChoiceField", self.fields["skill"]).choices = [("", "Choose a skill"), *named]

    def clean_bars(self) -> str:
        try:
            bars = read_bars(self.cleaned_data["bars"])
        except BarsError as error:
            raise ValidationError(f"{error}.") from error
        if not bars:
            raise ValidationError("Write at least one bar, such as 9-16.")
        return write_bars(bars)
