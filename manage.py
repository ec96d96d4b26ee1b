#!/usr/bin/env python
"""Run a management command of the project."""

import os
import sys


def main() -> None:
    """Hand the command line to Django."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit("Django is not installed here. Run `make setup`, or use the .venv's own python.")
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
