"""Forms of recalls."""

from __future__ import annotations

from django import forms

from config.forms import OnceForm
from stock.forms_postings import SCAN


class BatchForm(forms.Form):
    """Which batch is looked at."""

    batch = forms.CharField(
        max_length=40, label="Batch number", widget=forms.TextInput(attrs={**SCAN, "data-scan-send": ""}),
    )


class RecallForm(OnceForm):
    batch = forms.CharField(max_length=40, widget=forms.HiddenInput)
    reason = forms.CharField(
        max_length=300, label="What is wrong with the batch, and what is to be done at the site",
        widget=forms.Textarea(attrs={"rows": 3}),
    )
