"""Forms of stock at a past moment, its value, and the checks of the ledger."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone

from config.accounts.models import User
from config.forms import OnceForm
from stock.models import Item
from stock.queries.as_of import place_choices


class MomentFilter(forms.Form):
    """A past moment in the firm's time; empty is now."""

    at = forms.DateTimeField(
        required=False, label="Day and time",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local", "step": "1"}, format="%Y-%m-%dT%H:%M:%S"),
    )

    def clean_at(self) -> datetime:
        # The next full second: a list that opens from here names the same moment, and what was posted just now is in.
        now = timezone.now().replace(microsecond=0) + timedelta(seconds=1)
        at: datetime = self.cleaned_data["at"] or now
        if at > now:
            raise forms.ValidationError("That moment is still to come. Choose a day and time in the past.")
        return at


class AsOfFilter(MomentFilter):
    """What the list of stock at a past moment shows."""

    location = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    kind = forms.ChoiceField(required=False, choices=[("", "Every kind"), *Item.Kind.choices])
    uncosted = forms.BooleanField(required=False, label="Only without a known cost")
    item = forms.IntegerField(required=False, min_value=1, max_value=2**63 - 1, widget=forms.HiddenInput)

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        places = place_choices(user)
        self.fields["location"].choices = [("", "Every place"), *places]  # type: ignore[attr-defined]


class LookIntoForm(OnceForm):
    """What was found out about a difference."""

    note = forms.CharField(max_length=300, label="What was found", help_text="the cause, or what is done about it")
