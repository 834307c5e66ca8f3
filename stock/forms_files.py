"""Forms of the imports and exports."""

from __future__ import annotations

from typing import Any

from django import forms

from config.accounts.models import User
from stock.models.files import TableExport
from stock.queries.export_lists import lists_of
from stock.queries.table_files import subjects_of


class TableImportForm(forms.Form):
    subject = forms.ChoiceField(label="What it holds")
    file = forms.FileField(label="CSV or XLSX file", widget=forms.FileInput(attrs={"accept": ".csv,.txt,.xlsx"}))

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = subjects_of(user)  # type: ignore[attr-defined]


class ConfirmForm(forms.Form):
    take_good_rows = forms.BooleanField(
        required=False, label="Take the good rows and leave out the bad ones",
        help_text="Otherwise mend the file and send it again.",
    )


class ExportForm(forms.Form):
    subject = forms.ChoiceField(label="List")
    format = forms.ChoiceField(label="File", choices=TableExport.Format.choices)

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = lists_of(user)  # type: ignore[attr-defined]
