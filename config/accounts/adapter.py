"""Accounts are made by an administrator; nobody signs up."""

from __future__ import annotations

from datetime import timedelta

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest
from django.utils import timezone


class StaffOnlyAdapter(DefaultAccountAdapter):  # type: ignore[misc]  # allauth has no stubs
    JUST_NOW = timedelta(minutes=5)

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def is_reauthentication_required(self, *, app: str) -> bool:
        """Changing a second factor asks for the password again, but not of somebody who typed it just now:
        the first login leads straight to setting one up."""
        last_login = getattr(self.request.user, "last_login", None)
        return last_login is None or timezone.now() - last_login > self.JUST_NOW
