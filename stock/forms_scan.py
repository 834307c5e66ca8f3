"""The scan box."""

from __future__ import annotations

from django import forms


class ScanForm(forms.Form):
    """One text, scanned or typed. `data-scan` gives the field a camera button where the device has one."""

    q = forms.CharField(
        max_length=300,
        label="Label, serial number, stock number or name",
        widget=forms.TextInput(
            attrs={"data-scan": "", "data-scan-send": "", "autocomplete": "off", "autocapitalize": "characters",
                   "spellcheck": "false", "enterkeyhint": "search", "autofocus": True}
        ),
    )
