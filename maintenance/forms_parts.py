"""Forms of a visit's parts. Each carries a token, so that a second press changes nothing."""

from __future__ import annotations

from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import OnceForm
from maintenance.queries.visit_parts import VisitParts, serial_named
from stock.forms_postings import SCAN
from stock.services.ledger import MOST_AT_ONCE


class FitPartForm(OnceForm):
    """A quantity of an item from the van."""

    # Any number passes: of a second press the part may have left the van with the first.
    item = forms.IntegerField(label="Part in the van", min_value=1, max_value=2**62, widget=forms.Select)
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1)
    batch = forms.CharField(
        max_length=40, required=False, label="Batch number", help_text="Only of parts that are kept by batch.",
        widget=forms.TextInput(attrs={**SCAN, "list": "van-batches"}),
    )

    def __init__(self, parts: VisitParts, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        widget = self.fields["item"].widget
        assert isinstance(widget, forms.Select)
        widget.choices = [("", "Choose a part"), *[
            (row.item_id, f"{row.name} ({row.on_hand} {row.unit}), {row.sku}") for row in parts.van_items
        ]]


class PutCoverForm(OnceForm):
    """A numbered cover from the van onto a device in place."""

    serial = forms.CharField(
        max_length=300, label="Serial number of the new cover",
        widget=forms.TextInput(attrs={**SCAN, "list": "van-serials"}),
    )
    device = forms.TypedChoiceField(coerce=int, label="Device that it goes on")

    def __init__(self, user: User, parts: VisitParts, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user, self.parts = user, parts
        field = self.fields["device"]
        assert isinstance(field, forms.TypedChoiceField)
        field.choices = [("", "Choose a device"), *[
            (row.pk, f"{row.mark} {row.position}: {row.variant}{f', serial {row.serial}' if row.serial else ''}"
                     f"{f' (swap to {row.wanted} accepted)' if row.wanted else ''}")
            for row in parts.devices
        ]]

    def clean_serial(self) -> int:
        text = self.cleaned_data["serial"].strip()
        found = serial_named(self.user, self.parts, text)
        if found is None:
            raise forms.ValidationError(
                f"There is no serial {text!r} in the van. Compare it with the label, or have it moved to the van first."
            )
        return found
