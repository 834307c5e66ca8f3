"""What labels are printed, and on which sheet."""

from __future__ import annotations

from typing import Any

from django import forms

from stock.queries.labels import MOST, Label
from stock.rules.label_sheets import SHEETS, sheet_of


class LabelsQuery(forms.Form):
    """What the page's address may ask labels for."""

    serial = forms.IntegerField(required=False, min_value=1, max_value=2**62)
    item = forms.IntegerField(required=False, min_value=1, max_value=2**62)
    location = forms.IntegerField(required=False, min_value=1, max_value=2**62)
    order = forms.IntegerField(required=False, min_value=1, max_value=2**62)


class PrintForm(forms.Form):
    """Which of the labels, how often, and on which sheet."""

    sheet = forms.ChoiceField(choices=[(sheet.code, sheet.name) for sheet in SHEETS], label="Sheet")
    first = forms.IntegerField(
        min_value=1, max_value=65, initial=1, label="First free label of the sheet",
        help_text="1 for a full sheet; count along the rows of a begun one.",
    )
    copies = forms.IntegerField(min_value=1, max_value=20, initial=1, label="Copies of each")
    pick = forms.MultipleChoiceField(
        widget=forms.CheckboxSelectMultiple, label="Labels",
        error_messages={"required": "Tick at least one label."},
    )

    def __init__(self, labels: list[Label], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["pick"]
        assert isinstance(field, forms.MultipleChoiceField)
        field.choices = [(label.code, label.title) for label in labels]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if "sheet" in given and "first" in given and given["first"] > sheet_of(given["sheet"]).places:
            self.add_error("first", f"This sheet has {sheet_of(given['sheet']).places} labels. Write 1 for a full one.")
        if "pick" in given and "copies" in given and len(given["pick"]) * given["copies"] > MOST:
            self.add_error("copies", f"That makes more than {MOST} labels. Print fewer at a time.")
        return given
