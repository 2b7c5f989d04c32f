"""Where Django finds this app."""

from django.apps import AppConfig


class KeyslipConfig(AppConfig):
    name = "keyslip"

    def ready(self) -> None:
        from keyslip import checks  # noqa: F401
