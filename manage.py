#!/usr/bin/env python
"""Django's command line for Zonewright."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    from django.core.management import execute_from_command_line

    from config.env import BadEnvironment
    from config.servers import CannotStart

    try:
        execute_from_command_line(sys.argv)
    except (BadEnvironment, CannotStart) as error:
        # Settings are read before any command can report: say it in words, not in a traceback.
        sys.exit(f"zonewright: {error}")


if __name__ == "__main__":
    main()
