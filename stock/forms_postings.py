"""Forms of the single postings. Each carries a hidden token, so that a double click posts once."""

from __future__ import annotations

from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import OnceForm
from stock.models import Item, Location, Serial, Supplier
from stock.queries import postings as queries
from stock.services.ledger import MOST_AT_ONCE

SCAN = {"data-scan": "", "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
# What the note is asked for by, and whether it may be left out.
NOTES = {
    "quarantine": ("What is wrong with it", True), "release": ("What was tested, and how it did", True),
    "scrap": ("What the test found", True), "return": ("Why it goes back, or the return's number", False),
    "write-off": ("Why it is written off", True),
}



class PostingForm(OnceForm):
    """One posting of an item: which fields it has follows from the verb and from how the item is tracked."""

    serial = forms.CharField(max_length=300, label="Serial number", widget=forms.TextInput(attrs=SCAN))
    source = forms.ModelChoiceField(queryset=Location.objects.none(), label="From", empty_label="Choose a place")
    destination = forms.ModelChoiceField(queryset=Location.objects.none(), label="To", empty_label="Choose a place")
    supplier = forms.ModelChoiceField(queryset=Supplier.objects.none(), empty_label="Choose a supplier")
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1)
    batch = forms.CharField(max_length=40, label="Batch number", widget=forms.TextInput(attrs=SCAN))
    note = forms.CharField(max_length=200, widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(
        self, user: User, item: Item, verb: str, *args: Any, serial: Serial | None = None, at: int | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.user, self.item, self.verb = user, item, verb
        self.batches: list[tuple[str, str]] = []
        by_serial = item.tracking == Item.Tracking.SERIAL
        for name in ("source", "quantity") if by_serial else ("serial",):
            del self.fields[name]
        if item.tracking == Item.Tracking.BATCH:
            self.batches = queries.batches_at(user, item)
            self.fields["batch"].widget.attrs["list"] = "batches"
        else:
            del self.fields["batch"]
        if verb != "return":
            del self.fields["supplier"]
        if verb not in {"quarantine", "release"}:
            del self.fields["destination"]
        label, required = NOTES[verb]
        self.fields["note"].label, self.fields["note"].required = label, required
        places: list[Location] = []
        if by_serial:
            self.initial["serial"] = serial.number if serial else ""
        else:
            places = list(queries.sources(user, verb))
            self._offer("source", places, chosen=at)
            self.fields["quantity"].help_text = f"in {item.unit}"
        if "destination" in self.fields:
            ends = list(queries.destinations(user, verb))
            start = serial.location if serial else next((place for place in places if place.pk == at), None)
            # The branch's own quarantine or store, where it is clear which branch is meant.
            near = [place for place in ends if start is not None and place.branch_id == start.branch_id]
            near = [place for place in near if place.kind != Location.Kind.VAN] or near
            self._offer("destination", ends, chosen=near[0].pk if near else None)
        if "supplier" in self.fields:
            sellers = list(queries.suppliers_of(item))
            self.fields["supplier"].queryset = queries.suppliers_of(item)  # type: ignore[attr-defined]
            if sellers and getattr(sellers[0], "sells", False):
                self.initial["supplier"] = sellers[0].pk

    def _offer(self, name: str, places: list[Location], *, chosen: int | None = None) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Location.objects.filter(pk__in=[place.pk for place in places]).order_by("kind", "name")
        if chosen is not None and any(place.pk == chosen for place in places):
            self.initial[name] = chosen
        elif len(places) == 1:
            self.initial[name] = places[0].pk

    def clean_serial(self) -> Serial:
        text = self.cleaned_data["serial"].strip()
        found = queries.named_serial(self.user, self.item, text)
        if found is None or found.location is None:
            raise forms.ValidationError(
                f"There is no serial {text!r} of {self.item.sku} that you may move. Compare it with the label."
            )
        return found

    def values(self) -> dict[str, Any]:
        """The values of a valid form, as the service takes them."""
        given = super().content()
        serial = given.get("serial")
        return given if serial is None else given | {"source": serial.location, "quantity": 1}

    def content(self) -> dict[str, Any]:
        """What makes a second post the same one; where the serial has come to meanwhile does not."""
        return {"item": self.item.pk, "verb": self.verb, **super().content()}


class CorrectionForm(OnceForm):
    note = forms.CharField(max_length=200, label="What was wrong", widget=forms.Textarea(attrs={"rows": 2}))


class ReserveForm(OnceForm):
    """Promise stock of an item to work by hand."""

    location = forms.ModelChoiceField(queryset=Location.objects.none(), label="At", empty_label="Choose a place")
    quantity = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1)
    needed_on = forms.DateField(label="Needed on", widget=DAY)
    reference = forms.CharField(
        max_length=60, label="For which work",
        help_text="“visit 12” or “proposal 3” ties it to that work, and it ends with it; other words are yours to end.",
    )
    ahead = forms.BooleanField(required=False, label="May be met from what is on order")

    def __init__(self, user: User, item: Item, *args: Any, at: int | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        places = Location.objects.visible_to(user).filter(
            kind__in=(Location.Kind.STORE, Location.Kind.VAN)
        ).order_by("kind", "name")
        field = self.fields["location"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = places
        self.initial["location"] = at
        self.fields["quantity"].help_text = f"in {item.unit}"

    def clean_reference(self) -> str:
        return " ".join(str(self.cleaned_data["reference"]).split())
