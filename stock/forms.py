"""Forms of the stock pages: they read values and look records up among those the person sees."""

from __future__ import annotations

from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import OnceForm
from stock import queries
from stock.models import Item, Location, Serial
from stock.queries.postings import named_serial
from stock.services.ledger import MOST_AT_ONCE


class LevelFilter(forms.Form):
    """What the list of levels shows; every field may be left open."""

    family = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    kind = forms.ChoiceField(required=False, choices=[("", "Every kind"), *Item.Kind.choices])
    location = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    below = forms.BooleanField(required=False, label="Only below level")

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = queries.level_choices(user)
        self.fields["family"].choices = [("", "Every family"), *choices.families]  # type: ignore[attr-defined]
        self.fields["location"].choices = [("", "Every location"), *choices.locations]  # type: ignore[attr-defined]


class ItemPageQuery(forms.Form):
    """What the address of an item's page may carry."""

    cursor = forms.CharField(required=False)
    serials = forms.CharField(required=False)
    serial = forms.CharField(required=False, max_length=40, label="Serial number starts with")


class TransferForm(OnceForm):
    """Move stock of one item between two counted places."""

    source = forms.ModelChoiceField(queryset=Location.objects.none(), label="From", empty_label="Choose a place")
    destination = forms.ModelChoiceField(queryset=Location.objects.none(), label="To", empty_label="Choose a place")
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1)
    # As long as a label's address.
    serial = forms.CharField(max_length=300, label="Serial number")
    batch = forms.CharField(max_length=40, label="Batch number")
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, user: User, item: Item, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user, self.item = user, item
        places = queries.transfer_places(user)
        self.fields["source"].queryset = places  # type: ignore[attr-defined]
        self.fields["destination"].queryset = places  # type: ignore[attr-defined]
        # A piece with a number moves alone; other items have no number to give.
        by_serial = item.tracking == Item.Tracking.SERIAL
        del self.fields["quantity" if by_serial else "serial"]
        if item.tracking != Item.Tracking.BATCH:
            del self.fields["batch"]
        self.numbers: list[tuple[str, str]] = []
        if by_serial:
            self.numbers = list(queries.serials_in_stock(user, item))
            self.fields["serial"].widget.attrs |= {"list": "serial-numbers", "autocomplete": "off", "data-scan": ""}
        else:
            self.fields["quantity"].help_text = f"in {item.unit}"

    def clean_serial(self) -> Serial:
        number = self.cleaned_data["serial"].strip()
        found = named_serial(self.user, self.item, number)
        if found is None:
            raise forms.ValidationError(
                f"There is no serial {number!r} of {self.item.sku} that you may move. Choose one from the list."
            )
        return found

    def movement(self) -> dict[str, Any]:
        """The values of a valid form, as the service takes them."""
        return {"quantity": 1, **self.content()}
