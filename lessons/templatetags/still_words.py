"""How pages name a still."""

from django import template
from django.utils.text import capfirst

from lessons.media.clock import write_clock
from lessons.models import Still

register = template.Library()


@register.filter
def still_moment(still: Still) -> str:
    """Say the moment of a still as minutes, seconds and hundredths: frames lie closer together than tenths."""
    hundredths = round(still.at_s * 100)
    return f"{write_clock(hundredths // 10 / 10)}{hundredths % 10}"


@register.filter
def still_name(still: Still) -> str:
    """Say what a still is called, as a heading: its words, else its moment."""
    return capfirst(still.words) or f"Still at {still_moment(still)}"
