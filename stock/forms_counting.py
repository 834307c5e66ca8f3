"""Forms of the pages for counting."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import OnceForm
from stock.models import Item, Location
from stock.queries import counting as reads
from stock.queries.count_due import Choice
from stock.queries.counting import LineRow
from stock.rules.counting import Tolerance
from stock.services.ledger import MOST_AT_ONCE

WHICH = [
    ("all", "Everything there"),
    ("due", "Only what is due by its class (A every 30 days, B 90, C 180)"),
    ("days", "Only what was not counted for some days"),
    ("moved", "Only what has moved since its last count"),
]



class StartForm(OnceForm):
    location = forms.ModelChoiceField(queryset=Location.objects.none(), label="Where", empty_label="Choose a place")
    blind = forms.BooleanField(
        required=False, initial=True, label="Blind: whoever counts does not see what the ledger holds"
    )
    which = forms.ChoiceField(choices=WHICH, initial="all", label="What is counted", widget=forms.RadioSelect)
    days = forms.IntegerField(min_value=1, max_value=3650, initial=90, required=False, label="Not counted for (days)")
    kind = forms.ChoiceField(required=False, choices=[("", "Every kind"), *Item.Kind.choices])
    family = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    bin_from = forms.CharField(required=False, max_length=20, label="Bins from", help_text="for example A-03")
    bin_to = forms.CharField(required=False, max_length=20, label="Bins to", help_text="included, with all under it")
    note = forms.CharField(required=False, max_length=200)

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].queryset = reads.countable(user).order_by("name")  # type: ignore[attr-defined]
        choices = reads.count_choices(user)
        self.fields["family"].choices = [("", "Every family"), *choices.families]  # type: ignore[attr-defined]

    def choice(self) -> Choice:
        """What a valid form chooses."""
        given = self.cleaned_data
        return Choice(
            which=given["which"], days=given["days"] or 90, kind=given["kind"], family=given["family"],
            bin_from=given["bin_from"].strip(), bin_to=given["bin_to"].strip(),
        )


class QuantityForm(OnceForm):
    counted = forms.IntegerField(
        min_value=0, max_value=MOST_AT_ONCE, label="How many are there?",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "autocomplete": "off", "class": "big-number"}),
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


class NumbersForm(OnceForm):
    """Serial numbers: one more that was scanned, those ticked, and many typed at once."""

    number = forms.CharField(
        required=False, max_length=120, label="Serial number",
        widget=forms.TextInput(attrs={"data-scan": "", "data-scan-send": "", "autocomplete": "off",
                                      "autocapitalize": "characters", "spellcheck": "false"}),
    )
    many = forms.CharField(
        required=False, max_length=90_000, label="Many numbers, one a line", widget=forms.Textarea(attrs={"rows": 4})
    )
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, item: Item, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.item = item

    def clean_number(self) -> str:
        number, other = reads.number_named(self.item, self.cleaned_data["number"])
        if other:
            raise forms.ValidationError(f"This label is of {other}, not of {self.item.sku}. Count it with its item.")
        return number

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or {}
        if self.errors:
            return given
        ticked = self.data.getlist("found") if hasattr(self.data, "getlist") else []
        given["serials"] = [*ticked, *given["many"].splitlines()]
        if given["number"] and given["number"] not in given["serials"]:
            given["serials"].append(given["number"])
        return given

    @property
    def complete(self) -> bool:
        """Whether the button 'that is all' was pressed; a scan sends the form without it."""
        return self.data.get("act") == "enter"


class FindForm(forms.Form):
    text = forms.CharField(
        max_length=120, label="Scan or type an item",
        widget=forms.TextInput(attrs={"data-scan": "", "data-scan-send": "", "autocomplete": "off"}),
    )


class AddForm(forms.Form):
    item = forms.ModelChoiceField(queryset=Item.objects.all(), widget=forms.HiddenInput)
    batch = forms.CharField(required=False, max_length=40, label="Batch number")


class LinesQuery(forms.Form):
    """What the address of a count's page may carry."""

    cursor = forms.CharField(required=False)
    only = forms.ChoiceField(required=False, label="Show", choices=[
        ("", "All lines"), ("open", "Not counted yet"), ("counted", "Counted"), ("recount", "To be counted again"),
    ])


class ToleranceForm(forms.Form):
    """How far a line may be off; both must be passed for a recount to be worth asking for."""

    percent = forms.DecimalField(
        required=False, min_value=0, max_value=100, decimal_places=1, label="Tolerated up to % of the book"
    )
    worth = forms.DecimalField(
        required=False, min_value=0, max_value=1_000_000, decimal_places=2, label="or up to a value of"
    )
    cursor = forms.CharField(required=False)

    def tolerance(self) -> Tolerance:
        """Nothing is tolerated where nothing is given, or what cannot be read."""
        if not self.is_valid():
            return Tolerance()
        given = self.cleaned_data
        return Tolerance(given["percent"] or Decimal(0), given["worth"] or Decimal(0))


class ChosenLines(OnceForm):
    """Lines ticked on the page for looking over."""

    lines = forms.TypedMultipleChoiceField(coerce=int, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        given = self.data.getlist("lines") if hasattr(self.data, "getlist") else []
        self.fields["lines"].choices = [(key, key) for key in given if key.isdecimal()]  # type: ignore[attr-defined]


class PostForm(OnceForm):
    leave_uncounted = forms.BooleanField(required=False)


class SheetForm(OnceForm):
    """The paper typed in: a number for each line of one page that has none yet."""

    def __init__(self, rows: list[LineRow], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = [row for row in rows if not row.by_serial]
        for row in self.rows:
            self.fields[f"line-{row.id}"] = forms.IntegerField(
                required=False, min_value=0, max_value=MOST_AT_ONCE, label=f"{row.sku} {row.batch}".strip(),
                widget=forms.NumberInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
            )
            self.fields[f"version-{row.id}"] = forms.IntegerField(
                required=False, widget=forms.HiddenInput, initial=row.version
            )

    @staticmethod
    def keys_in(data: Mapping[str, Any]) -> list[int]:
        """The lines that a sent page had."""
        ends = (name.removeprefix("version-") for name in data if name.startswith("version-"))
        return [int(end) for end in ends if end.isdecimal() and len(end) < 19]

    def entries(self) -> list[tuple[int, int, int]]:
        """Line, version and number of each that was filled in."""
        given = self.cleaned_data
        return [
            (row.id, given[f"version-{row.id}"] or 0, given[f"line-{row.id}"])
            for row in self.rows if given.get(f"line-{row.id}") is not None
        ]
