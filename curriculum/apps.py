"""Where Django finds this app."""

from django.apps import AppConfig


class CurriculumConfig(AppConfig):
    name = "curriculum"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from curriculum import receivers  # noqa: F401
