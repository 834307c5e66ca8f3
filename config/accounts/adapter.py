"""Accounts are made by an administrator; nobody signs up."""

from __future__ import annotations

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class StaffOnlyAdapter(DefaultAccountAdapter):  # type: ignore[misc]  # allauth has no stubs
    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
