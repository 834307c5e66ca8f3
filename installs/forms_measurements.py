"""What people write of measured values: one by hand, or a file of many."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms

from installs.models import LoopMeasurement
from installs.rules.errors import RuleError
from installs.rules.measured_rows import LONGEST_NOTE, measured


class MeasurementForm(forms.Form):
    """A measured value; its token makes a second press of the button change nothing."""

    measured = forms.CharField(
        max_length=40, label="Measured (Ω)", help_text="2k2, 2.2k or 2200; 'open' for an open circuit",
    )
    measured_on = forms.DateField(
        label="Measured on", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    place = forms.ChoiceField(choices=LoopMeasurement.Place.choices, label="Measured where")
    at_rest = forms.BooleanField(required=False, initial=True, label="Every device was at rest")
    note = forms.CharField(required=False, max_length=LONGEST_NOTE, label="Note")
    token = forms.CharField(max_length=60, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"token": uuid.uuid4().hex, **(kwargs.get("initial") or {})}
        kwargs.setdefault("use_required_attribute", False)
        super().__init__(*args, **kwargs)

    def clean_measured(self) -> float | None:
        try:
            return measured(self.cleaned_data["measured"])
        except RuleError as error:
            raise forms.ValidationError(f"'{error.value}' {error.message}. {error.remedy}") from None


class ImportForm(forms.Form):
    file = forms.FileField(label="CSV or XLSX file", widget=forms.FileInput(attrs={"accept": ".csv,.txt,.xlsx"}))
    take_good_rows = forms.BooleanField(
        required=False, label="Take the good rows even if others are bad",
        help_text="Otherwise one bad row refuses the whole file.",
    )


class AgainForm(forms.Form):
    take_good_rows = forms.BooleanField(required=False, label="Take the good rows even if others are bad")
