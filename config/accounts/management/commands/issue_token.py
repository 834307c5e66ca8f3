"""Make a key for the REST interface and print it once."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from config.accounts.authentication import issue_token
from config.accounts.models import User
from config.accounts.rights import Right
from config.errors import ZonewrightError


class Command(BaseCommand):
    help = "Make a key for the REST interface. It is printed once and kept only as a hash."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email")
        parser.add_argument("--name", required=True, help="what the key is for")
        parser.add_argument("--scope", action="append", default=[], choices=[r.value for r in Right])
        parser.add_argument("--days", type=int, default=90, help="days until it expires (1 to 366)")

    def handle(self, *_args: Any, **options: Any) -> None:
        user = User.objects.filter(email=options["email"].lower(), is_active=True).first()
        if user is None:
            raise CommandError(f"No active person has the e-mail address {options['email']!r}.")
        if not options["scope"]:
            raise CommandError("Name at least one --scope; a key carries only the rights it names.")
        if not 1 <= options["days"] <= 366:
            raise CommandError(f"--days is {options['days']}; write 1 to 366.")
        try:
            key = issue_token(
                user,
                name=options["name"],
                scopes=[Right(scope) for scope in options["scope"]],
                expires_at=timezone.now() + timedelta(days=options["days"]),
            )
        except ZonewrightError as error:
            raise CommandError(str(error)) from None
        self.stdout.write(key)
