"""The Celery application. How it behaves is settled in keyslip.settings."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "keyslip.settings")

app = Celery("keyslip")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
