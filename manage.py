#!/usr/bin/env python
"""Run administrative tasks."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "keyslip.settings")
    from django.conf import settings
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        settings.configured or settings.INSTALLED_APPS  # noqa: B018  (a wrong setting is a sentence, not a traceback)
    except ImproperlyConfigured as error:
        sys.exit(str(error))
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
