"""Where Django finds this app."""

from django.apps import AppConfig


class ReviewsConfig(AppConfig):
    name = "reviews"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from reviews import receivers  # noqa: F401
