"""What pages say about space, where it begins to matter."""

from django import template

from curriculum.models import Learner
from lessons.services import size_in_words, space_of

register = template.Library()


@register.inclusion_tag("lessons/_space_note.html")
def space_note(learner: Learner) -> dict[str, object]:
    """Say how full a learner's share is once it is nearly full; nothing before."""
    space = space_of(learner)
    return {
        "is_nearly_full": space.is_nearly_full,
        "taken": size_in_words(space.taken_bytes),
        "quota": size_in_words(space.quota_bytes),
    }
