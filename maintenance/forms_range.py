"""What is asked of a range study."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms

from config.accounts.models import Branch, User
from maintenance.queries.range_study import scopes


class StudyForm(forms.Form):
    """Which positions, and on what terms; the hidden token makes a second press of the button start nothing."""

    branch = forms.TypedChoiceField(label="Positions of", required=False, coerce=int, empty_value=None)
    settings = forms.ChoiceField(
        label="Settings",
        choices=[
            ("keep", "Every setting stays as it is"), ("may change", "Settings may change where a cover needs it"),
        ],
        help_text="A variant that cannot be set as the old one was serves the position only in the second case.",
    )
    service_percent = forms.DecimalField(
        label="Service level (%)", min_value=50, max_value=99.99, decimal_places=2, initial=95,
        help_text="How often the safety stock should last through a lead time; the same before and after.",
    )
    correlation = forms.FloatField(
        label="Correlation of the demands", min_value=0, max_value=1, initial=0,
        widget=forms.NumberInput(attrs={"step": "0.05"}),
        help_text="0: one variant's demand says nothing about another's. 1: all rise and fall together.",
    )
    token = forms.CharField(max_length=90, widget=forms.HiddenInput)

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"token": uuid.uuid4().hex})
        super().__init__(*args, **kwargs)
        self.user = user
        self.fields["branch"].choices = scopes(user)  # type: ignore[attr-defined]

    def asked(self) -> dict[str, Any]:
        """The values of a valid form, as the service takes them."""
        given = self.cleaned_data
        return {
            "branch": None if given["branch"] is None else Branch.objects.get(pk=given["branch"]),
            "keep_settings": given["settings"] == "keep",
            "service_percent": given["service_percent"],
            "correlation": given["correlation"],
        }
