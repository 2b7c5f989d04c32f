"""Writing the rhythm of a line of which no score is known."""

from django.core.exceptions import ValidationError

from lessons.models import Assignment
from reviews.compare.unscored import RhythmError, read_rhythm
from reviews.models import TypedRhythm


def type_rhythm(assignment: Assignment, *, text: str) -> TypedRhythm:
    """Write the rhythm of a line; writing it again replaces it, and blank takes it back. What is measured follows when somebody looks.

    Raises
    ------
    ValidationError
        If it is no rhythm; the message names the word and its place.
    """
    try:
        read_rhythm(text)
    except RhythmError as error:
        raise ValidationError({"text": str(error)}) from error
    row = TypedRhythm.objects.filter(assignment=assignment).first() or TypedRhythm(assignment=assignment)
    row.text = text.strip()
    row.full_clean()
    row.save()
    return row
