"""Settings, addresses, and the program that runs the rest."""

from keyslip.celery import app as celery_app

__all__ = ["celery_app"]
