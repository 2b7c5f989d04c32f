"""What this app announces to apps above it."""

from django.dispatch import Signal

# Sent inside the transaction that writes what a clip is, before its copy is made. Arguments: clip (its kind, facts and
# file as it came are there). A receiver may add a job of its own, which then goes before the copy.
clip_checked = Signal()
