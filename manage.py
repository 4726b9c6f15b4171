#!/usr/bin/env python
"""Run a command of the programme: `manage.py help` lists them."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "programme.settings")
    from django.core.management import execute_from_command_line  # noqa: PLC0415 -- settings first

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
