"""Forms of the pages about orders, deliveries and suppliers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms

from config.accounts.models import User
from config.errors import ZonewrightError
from config.forms import OnceForm
from stock.models import HeldDelivery, Item, Location, Order, Supplier, SupplierItem
from stock.queries.deliveries import find_item
from stock.queries.orders import STATES, LineRow, order_choices
from stock.rules.codes import read_code
from stock.services.ledger import MOST_AT_ONCE
from stock.services.orders import LineAsked
from stock.services.receiving import HOLD, KEEP
from stock.services.suppliers import SUPPLIER_FIELDS
from stock.templatetags.money import price

_BETWEEN_NUMBERS = re.compile(r"[\n\r,;\t]+")
_DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


def price_field(label: str = "Price of one unit", *, required: bool = False) -> forms.DecimalField:
    return forms.DecimalField(label=label, required=required, min_value=0, max_digits=12, decimal_places=4)


def quantity_field(label: str = "Quantity") -> forms.IntegerField:
    return forms.IntegerField(label=label, min_value=1, max_value=MOST_AT_ONCE)


def split_numbers(text: str) -> list[str]:
    """Serial numbers of a typed or pasted list, in order."""
    return [part.strip() for part in _BETWEEN_NUMBERS.split(text) if part.strip()]



class OrderFilter(forms.Form):
    """What the list of orders shows; every field may be left open."""

    state = forms.ChoiceField(required=False, choices=[("", "Every state"), *STATES])
    supplier = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    destination = forms.TypedChoiceField(required=False, coerce=int, empty_value=None, label="For")

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        suppliers, places = order_choices(user)
        self.fields["supplier"].choices = [("", "Every supplier"), *suppliers]  # type: ignore[attr-defined]
        self.fields["destination"].choices = [("", "Every place"), *places]  # type: ignore[attr-defined]


class ItemText(forms.CharField):
    """A stock number, typed, chosen or scanned from an item's label."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("label", "Stock number")
        options.setdefault("widget", forms.TextInput(attrs={"list": "items", "autocomplete": "off", "data-scan": ""}))
        super().__init__(max_length=130, **options)

    def clean(self, value: Any) -> Any:
        text = str(super().clean(value)).strip()
        if not text:
            return None
        code = read_code(text)
        item = (
            Item.objects.filter(pk=code.number).first() if code is not None and code.kind == "item" else find_item(text)
        )
        if item is None:
            raise forms.ValidationError(f"There is no item {text!r}. Choose one from the list.")
        return item


class NewOrderForm(OnceForm):
    """An order by hand, with its first line."""

    supplier = forms.ModelChoiceField(queryset=Supplier.objects.order_by("name"), empty_label="Choose a supplier")
    destination = forms.ModelChoiceField(queryset=Location.objects.none(), empty_label="Choose a place", label="For")
    item = ItemText(label="First item")
    quantity = quantity_field()

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["destination"].queryset = (  # type: ignore[attr-defined]
            Location.objects.visible_to(user).filter(kind__in=(Location.Kind.STORE, Location.Kind.VAN))
            .order_by("kind", "name")
        )


class VersionForm(OnceForm):
    """A step of an order as it was read."""

    version = forms.IntegerField(min_value=1, widget=forms.HiddenInput)


class RefuseForm(VersionForm):
    reason = forms.CharField(max_length=300, label="Why it is given back",
                             widget=forms.Textarea(attrs={"rows": 2}))


class DraftForm(VersionForm):
    """The content of a draft: a quantity and a price for each line, one more line, day and note."""

    expected_on = forms.DateField(required=False, label="Wanted by", widget=_DAY,
                                  help_text="empty: the supplier's usual lead time from the day it is placed")
    note = forms.CharField(required=False, max_length=300, label="Note printed on the order",
                           widget=forms.Textarea(attrs={"rows": 2}))
    add_item = ItemText(required=False, label="Add an item")
    add_quantity = forms.IntegerField(required=False, min_value=1, max_value=MOST_AT_ONCE, label="Quantity")
    add_price = price_field()

    def __init__(self, order: Order, lines: Sequence[LineRow], *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": order.version, "expected_on": order.expected_on, "note": order.note}
        super().__init__(*args, **kwargs)
        self.lines = list(lines)
        self.fields["add_price"].help_text = "empty: the list price"
        for line in self.lines:
            name = line.item.sku
            self.fields[f"quantity-{line.id}"] = forms.IntegerField(
                label=f"Quantity of {name}", min_value=1, max_value=MOST_AT_ONCE, initial=line.quantity,
                widget=forms.NumberInput(attrs={"class": "short"}),
            )
            self.fields[f"price-{line.id}"] = price_field(f"Price of {name}")
            self.fields[f"price-{line.id}"].initial = price(line.unit_price).replace(",", "")
            self.fields[f"price-{line.id}"].widget.attrs["class"] = "short"
            self.fields[f"drop-{line.id}"] = forms.BooleanField(required=False, label=f"Take {name} off")

    @property
    def rows(self) -> list[tuple[LineRow, Any, Any, Any]]:
        """Each line with its three fields."""
        return [
            (line, self[f"quantity-{line.id}"], self[f"price-{line.id}"], self[f"drop-{line.id}"])
            for line in self.lines
        ]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if given.get("add_item") and not given.get("add_quantity") and "add_quantity" not in self.errors:
            self.add_error("add_quantity", "Write how many of the item to order.")
        return given

    def asked(self) -> list[LineAsked]:
        """The lines of a valid form."""
        given = self.cleaned_data
        lines = [
            LineAsked(line.item, given[f"quantity-{line.id}"], given[f"price-{line.id}"])
            for line in self.lines if not given[f"drop-{line.id}"]
        ]
        if given["add_item"]:
            lines.append(LineAsked(given["add_item"], given["add_quantity"], given["add_price"]))
        return lines


class ReceiveForm(OnceForm):
    """What came in of one item. Numbered pieces are scanned one by one or pasted; others are counted."""

    quantity = quantity_field("How many came")
    scan = forms.CharField(
        required=False, max_length=200, label="Scan a serial number",
        widget=forms.TextInput(attrs={"data-scan": "", "data-scan-send": "", "autocomplete": "off",
                                      "autocapitalize": "characters", "inputmode": "text"}),
    )
    numbers = forms.CharField(
        required=False, label="Serial numbers so far", widget=forms.Textarea(attrs={"rows": 4, "spellcheck": "false"}),
        help_text="one a line; a list may be pasted here",
    )
    batch = forms.CharField(required=False, max_length=40, label="Batch number",
                            widget=forms.TextInput(attrs={"data-scan": "", "autocomplete": "off"}))
    delivery_note = forms.CharField(required=False, max_length=60, label="Delivery note")
    damaged = forms.BooleanField(required=False, label="These pieces are damaged: put them into quarantine")
    beyond = forms.ChoiceField(
        required=False, label="What is more than ordered", widget=forms.RadioSelect,
        choices=[(KEEP, "Keep it at the line's price"), (HOLD, "Put it into quarantine, to return it")],
    )

    def __init__(self, item: Item, *args: Any, on_order: bool = True, ask_beyond: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.item = item
        by_number = item.tracking == Item.Tracking.SERIAL
        if by_number:
            del self.fields["quantity"]
            self.fields["batch"].help_text = "if the label shows one: kept with each piece, for recalls"
        else:
            del self.fields["scan"], self.fields["numbers"]
            self.fields["quantity"].label = f"How many came, in {item.unit}"
        if item.tracking == Item.Tracking.NONE:
            del self.fields["batch"]
        elif not by_number:
            self.fields["batch"].required = True
            self.fields["batch"].help_text = "as printed on the box"
        if not on_order:
            del self.fields["damaged"]
        if not (on_order and ask_beyond):
            del self.fields["beyond"]

    def numbers_so_far(self) -> list[str]:
        return split_numbers(str(self.data.get("numbers", "")))

    def clean_numbers(self) -> list[str]:
        numbers = split_numbers(self.cleaned_data["numbers"])
        if not numbers:
            raise forms.ValidationError("Scan or paste at least one serial number.")
        if len(numbers) > 1000:
            raise forms.ValidationError(f"{len(numbers)} numbers at once are too many: receive up to 1,000 at a time.")
        if too_long := next((number for number in numbers if len(number) > 40), None):
            raise forms.ValidationError(f"{too_long!r} is longer than 40 characters. Write one number a line.")
        return numbers

    def delivery(self) -> dict[str, Any]:
        """The values of a valid form, as the service takes them."""
        given = self.cleaned_data
        numbers = given.get("numbers") or []
        note = given["delivery_note"].strip()
        values: dict[str, Any] = {
            "quantity": len(numbers) if "numbers" in self.fields else given["quantity"],
            "serial_numbers": numbers,
            "batch": given.get("batch", ""),
            "note": f"Delivery note {note}" if note else "",
        }
        for name in ("damaged", "beyond"):
            if name in self.fields:
                values[name] = given[name]
        return values

    def refuse(self, error: ZonewrightError) -> None:
        error.field = {"serial_numbers": "numbers"}.get(error.field, error.field)
        super().refuse(error)


class WrongItemForm(forms.Form):
    """Which item came without being ordered."""

    item = ItemText(label="Stock number of what came")
    delivery_note = forms.CharField(required=False, widget=forms.HiddenInput)


class HeldForm(OnceForm):
    """What becomes of pieces that wait in quarantine."""

    held = forms.ModelMultipleChoiceField(
        queryset=HeldDelivery.objects.none(), error_messages={"required": "Tick at least one."}
    )
    act = forms.ChoiceField(choices=[("return", "return"), ("keep", "keep"), ("settle", "settle")])
    unit_price = price_field("Price of one unit, if it was not on the order")
    note = forms.CharField(required=False, max_length=200, label="Note")

    def __init__(self, order: Order, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["held"].queryset = order.held.all()  # type: ignore[attr-defined]
        self.fields["unit_price"].help_text = f"in {order.currency}"

    def content(self) -> dict[str, Any]:
        return super().content() | {"held": [piece.pk for piece in self.cleaned_data["held"]]}


class SupplierForm(OnceForm):
    name = forms.CharField(max_length=80)
    lead_time_days = forms.IntegerField(min_value=0, max_value=365, initial=7, label="Usual lead time, days")
    currency = forms.CharField(min_length=3, max_length=3, help_text="of its prices: three letters, for example GBP")
    email = forms.EmailField(required=False, label="Mail for orders")
    address = forms.CharField(required=False, max_length=500, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: Any, supplier: Supplier | None = None, own: str = "", **kwargs: Any) -> None:
        kwargs["initial"] = (
            {name: getattr(supplier, name) for name in SUPPLIER_FIELDS} if supplier else {"currency": own}
        )
        super().__init__(*args, **kwargs)

    def clean_currency(self) -> str:
        return str(self.cleaned_data["currency"]).strip().upper()


class TermsForm(OnceForm):
    """How a supplier sells an item."""

    item = ItemText()
    supplier_code = forms.CharField(required=False, max_length=40, label="Supplier's number")
    unit_price = price_field(required=True)
    pack_size = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1, label="Sold in packs of")
    minimum_order = forms.IntegerField(min_value=1, max_value=MOST_AT_ONCE, initial=1, label="Least order")
    lead_time_days = forms.IntegerField(
        required=False, min_value=0, max_value=365, label="Lead time, days", help_text="empty: the supplier's usual"
    )
    preferred = forms.BooleanField(required=False, initial=True, label="Order here unless told otherwise")

    def __init__(self, supplier: Supplier, *args: Any, sold: SupplierItem | None = None, **kwargs: Any) -> None:
        if sold is not None:
            kwargs["initial"] = {
                name: getattr(sold, name)
                for name in ("supplier_code", "pack_size", "minimum_order", "lead_time_days", "preferred")
            } | {"unit_price": price(sold.unit_price).replace(",", "")}
        super().__init__(*args, **kwargs)
        if sold is not None:
            del self.fields["item"]
        self.fields["unit_price"].help_text = f"in {supplier.currency}"

    def terms(self) -> dict[str, Any]:
        return {name: value for name, value in self.content().items() if name != "item"}


class RateForm(OnceForm):
    currency = forms.CharField(max_length=3, min_length=3, label="Currency", help_text="three letters, for example EUR")
    valid_from = forms.DateField(label="From", widget=_DAY)
    rate = forms.DecimalField(max_digits=14, decimal_places=6, min_value=Decimal("0.000001"))

    def __init__(self, own: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rate"].label = f"{own} for one"

    def clean_currency(self) -> str:
        return str(self.cleaned_data["currency"]).upper()
