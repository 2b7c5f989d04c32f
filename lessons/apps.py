"""Where Django finds this app."""

from django.apps import AppConfig


class LessonsConfig(AppConfig):
    name = "lessons"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from lessons import receivers  # noqa: F401
