"""`manage.py load_demo`: the invented firm into an empty database."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from config.demo.load import is_loaded, load_demo
from config.errors import ZonewrightError


class Command(BaseCommand):
    help = "Loads the invented firm of the demo; says so and returns if it is already there."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--scale", type=float, default=1.0, help="size; 1 is about 250 sites, 400 about 100,000")
        parser.add_argument("--seed", type=int, default=2026, help="the same seed and date give the same firm (2026)")
        parser.add_argument("--today", type=date.fromisoformat, default=None, help="business date, YYYY-MM-DD (today)")

    def handle(self, *args: Any, **options: Any) -> None:
        if is_loaded():
            self.stdout.write("The demo firm is already there.")
            return
        began = time.monotonic()
        bar = Progress(
            TextColumn("Sites"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
            transient=True, disable=not self.stdout.isatty(),
        )
        try:
            with bar:
                task = bar.add_task("sites", total=None)
                counts = load_demo(
                    scale=options["scale"],
                    seed=options["seed"],
                    today=options["today"] or timezone.localdate(),
                    progress=lambda done, total: bar.update(task, completed=done, total=total),
                )
        except ZonewrightError as error:
            raise CommandError(f"{error} ({error.field}: {error.value})") from error
        self.stdout.write(
            f"{counts['sites']:,} sites with {counts['devices']:,} devices on {counts['circuits']:,} circuits; "
            f"{counts['visits']:,} visits, {counts['results']:,} test results, {counts['movements']:,} movements "
            f"({time.monotonic() - began:.1f} s)."
        )
