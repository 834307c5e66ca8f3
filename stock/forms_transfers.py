"""Forms of the pages of transfers and of the van top-up: they read values, and look records up among those seen."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import OnceForm, Refusing
from stock.models import Item, Location, Serial
from stock.queries.transfers import SHOWS, LineRow, destinations, find_item, known_items, sources
from stock.services.ledger import MOST_AT_ONCE
from stock.services.settling import Settling

NEW_LINES = 6
WHY_SHORT = (
    "The shelf is empty", "Broken or incomplete", "Cannot be found", "No longer needed", "Does not fit in this time",
)
SCAN_ATTRS = {"data-scan": "", "data-scan-send": "", "autocomplete": "off", "spellcheck": "false",
              "autocapitalize": "characters", "enterkeyhint": "go"}


def fresh_token() -> str:
    """A token for the forms of one page: whatever of them is sent first is carried out once."""
    return uuid.uuid4().hex



class TransferFilter(forms.Form):
    """What the list of transfers shows."""

    show = forms.ChoiceField(required=False, choices=list(SHOWS.items()), label="Show")
    location = forms.TypedChoiceField(required=False, coerce=int, empty_value=None, label="From or to")

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        places = Location.objects.visible_to(user).counted().order_by("name").values_list("id", "name")
        self.fields["location"].choices = [("", "Every place"), *places]  # type: ignore[attr-defined]


class NewTransferForm(OnceForm):
    """Source, destination and some lines; empty lines are left out."""

    source = forms.ModelChoiceField(queryset=Location.objects.none(), label="From", empty_label="Choose a place")
    destination = forms.ModelChoiceField(queryset=Location.objects.none(), label="To", empty_label="Choose a place")
    note = forms.CharField(max_length=200, required=False, help_text="Shown on the list, for who picks and receives.")

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        from_places = sources(user)
        self.fields["source"].queryset = from_places  # type: ignore[attr-defined]
        self.fields["destination"].queryset = destinations(user)  # type: ignore[attr-defined]
        if from_places.count() == 1:
            self.initial.setdefault("source", from_places[0].pk)
        self.items = known_items()
        for number in range(1, NEW_LINES + 1):
            self.fields[f"item_{number}"] = forms.CharField(
                max_length=300, required=False, label=f"Item {number}",
                widget=forms.TextInput(attrs={"list": "item-numbers", "data-scan": "", "autocomplete": "off"}),
            )
            self.fields[f"quantity_{number}"] = forms.IntegerField(
                min_value=1, max_value=MOST_AT_ONCE, required=False, label=f"Quantity {number}",
            )

    def rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        return [(self[f"item_{n}"], self[f"quantity_{n}"]) for n in range(1, NEW_LINES + 1)]

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        lines: dict[Item, int] = {}
        for number in range(1, NEW_LINES + 1):
            text, quantity = cleaned.get(f"item_{number}"), cleaned.get(f"quantity_{number}")
            if not text:
                if quantity:
                    self.add_error(f"item_{number}", "Name the item of this quantity.")
                continue
            item = find_item(text)
            if item is None:
                self.add_error(f"item_{number}", f"There is no item {text!r}. Choose one from the list, or scan it.")
            elif item in lines:
                self.add_error(f"item_{number}", f"{item.sku} stands on another line: add the quantities up.")
            else:
                lines[item] = quantity or 1
        if not lines and not self.errors:
            self.add_error("item_1", "Name at least one item.")
        cleaned["lines"] = lines
        return cleaned


class Step(Refusing, forms.Form):
    """What every form of a transfer's page carries: the state it was made from, and its token."""

    version = forms.IntegerField(min_value=1)
    token = forms.CharField(max_length=90)

    def words(self) -> str:
        """What is wrong, to be shown at the head of the page."""
        return " ".join(f"{self[name].label}: {' '.join(map(str, errors))}" for name, errors in self.errors.items())

    def values(self) -> Mapping[str, Any]:
        """What the service takes."""
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}


class SerialsField(forms.ModelMultipleChoiceField[Serial]):
    def __init__(self, **options: Any) -> None:
        super().__init__(queryset=Serial.objects.all(), required=False, **options)


class PickForm(Step):
    line = forms.IntegerField(min_value=1)
    quantity = forms.IntegerField(min_value=0, max_value=MOST_AT_ONCE, required=False)
    serials = SerialsField()
    batch = forms.CharField(max_length=40, required=False)
    short_reason = forms.CharField(max_length=200, required=False)


class Scanning(Refusing, forms.Form):
    """The scan field; `again` puts the cursor there for the next scan."""

    scan = forms.CharField(max_length=300, label="Scan or type", widget=forms.TextInput(attrs=SCAN_ATTRS))
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, required=False)

    def __init__(self, *args: Any, again: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if again:
            self.fields["scan"].widget.attrs["autofocus"] = True


class ScanStep(Scanning, Step):
    pass


class RoundScan(Scanning):
    token = forms.CharField(max_length=90)


class AddForm(Step):
    item = forms.CharField(max_length=300)

    def clean_item(self) -> Item:
        found = find_item(self.cleaned_data["item"])
        if found is None:
            raise forms.ValidationError("There is no such item. Write its stock number, or scan it.")
        return found


class ConfirmForm(Step):
    """Everything, or quantities by line and pieces."""

    everything = forms.BooleanField(required=False)
    finish = forms.BooleanField(required=False)
    serials = SerialsField()

    def __init__(self, lines: list[LineRow], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.counted = [line.id for line in lines if not line.by_serial]
        for line in lines:
            if not line.by_serial:
                self.fields[f"line_{line.id}"] = forms.IntegerField(
                    min_value=0, max_value=MOST_AT_ONCE, required=False, label=line.sku
                )

    def values(self) -> Mapping[str, Any]:
        given = self.cleaned_data
        return {
            "version": given["version"], "everything": given["everything"], "finish": given["finish"],
            "serials": list(given["serials"]),
            "quantities": {pk: given[f"line_{pk}"] for pk in self.counted if given.get(f"line_{pk}")},
        }


class SettleForm(Step):
    line = forms.IntegerField(min_value=1)
    how = forms.TypedChoiceField(choices=[(how.value, how.value) for how in Settling], coerce=Settling)
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, required=False)
    serials = SerialsField()
    reason = forms.CharField(max_length=200, required=False)


class LevelForm(Refusing, forms.Form):
    """What a van should hold of an item."""

    item = forms.CharField(
        max_length=300, label="Item",
        widget=forms.TextInput(attrs={"list": "item-numbers", "data-scan": "", "autocomplete": "off"}),
    )
    minimum = forms.IntegerField(min_value=0, max_value=MOST_AT_ONCE, help_text="Topped up when less is free.")
    target = forms.IntegerField(min_value=0, max_value=MOST_AT_ONCE, label="Fill up to",
                                help_text="0 and 0 takes the item off the van's list.")

    def clean_item(self) -> Item:
        found = find_item(self.cleaned_data["item"])
        if found is None:
            raise forms.ValidationError("There is no such item. Choose one from the list, or scan it.")
        return found


class BinFilter(forms.Form):
    q = forms.CharField(required=False, max_length=60, label="Item or bin")
    without = forms.BooleanField(required=False, label="Only without a bin")
    cursor = forms.CharField(required=False)
