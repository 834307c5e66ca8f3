"""Forms of the pages that say what to hold."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from config.accounts.models import User
from config.forms import Refusing
from stock.models import Item, ServiceLevel, StoresPolicy
from stock.queries.plan_view import planned_places
from stock.services.stores_policy import CLASSES, LARGEST_LEVEL, USUAL_SERVICE


class PlanFilter(forms.Form):
    """What the list shows; every field may be left open."""

    search = forms.CharField(required=False, max_length=60, label="Name or stock number")
    location = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    kind = forms.ChoiceField(required=False, choices=[("", "Every kind"), *Item.Kind.choices])
    abc = forms.ChoiceField(
        required=False, label="Value class", choices=[("", "A, B and C"), *[(c, f"Class {c}") for c in "ABC"]]
    )
    xyz = forms.ChoiceField(
        required=False, label="Regularity", choices=[("", "X, Y and Z"), *[(c, f"Class {c}") for c in "XYZ"]]
    )
    below = forms.BooleanField(required=False, label="Only below the reorder point")

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].choices = [  # type: ignore[attr-defined]
            ("", "Every store"), (0, "Every store and van"), *planned_places(user)
        ]

    def wanted(self) -> dict[str, Any]:
        """The valid values, as the query takes them."""
        given = dict(self.cleaned_data)
        return {"below_only": given.pop("below"), "stores_only": given["location"] is None, **given}


class HoldForm(Refusing, forms.Form):
    """A level set by hand."""

    minimum = forms.IntegerField(min_value=0, max_value=LARGEST_LEVEL, label="Hold at least")
    target = forms.IntegerField(min_value=0, max_value=LARGEST_LEVEL, label="Fill up to")



class PolicyForm(Refusing, forms.ModelForm[StoresPolicy]):
    """The firm's settings for its stores, each with what it does."""

    class Meta:
        model = StoresPolicy
        fields = (
            "order_cost", "carrying_percent", "a_share_percent", "b_share_percent", "x_variation", "y_variation",
            "history_weeks", "review_days", "top_up_days", "approval_limit",
        )
        labels = {  # noqa: RUF012 - the framework's own shape
            "order_cost": "Cost of one order", "carrying_percent": "Cost of keeping stock, % a year",
            "approval_limit": "Orders above this need an approval", "review_days": "Days between two looks at stock",
            "history_weeks": "Weeks of past demand", "a_share_percent": "Class A up to, % of value",
            "b_share_percent": "Class B up to, % of value", "x_variation": "Class X up to a variation of",
            "y_variation": "Class Y up to a variation of", "top_up_days": "Days of visits that vans are topped up for",
        }
        help_texts = {  # noqa: RUF012
            "order_cost": "Placing and receiving an order, in the firm's currency. Higher: fewer and larger orders.",
            "carrying_percent": "Of the stock's value: capital, space, ageing. Higher: more and smaller orders.",
            "approval_limit": "Value in the firm's currency.",
            "review_days": "Orders are proposed each night: 1. Longer: stock must cover the days between as well.",
            "history_weeks": "104 is two years. Fewer: follows changes faster, and knows less.",
            "a_share_percent": "Items that make up this much of a place's yearly value are class A.",
            "b_share_percent": "And up to this much class B; the others are C.",
            "x_variation": "Standard deviation of the weekly demand over its mean. Up to this, demand is regular.",
            "y_variation": "Up to this, demand changes; above, it comes now and then.",
            "top_up_days": "Each evening.",
        }

    def _post_clean(self) -> None:
        """The record is changed by the service."""



class ServiceForm(Refusing, forms.Form):
    """How often stock should last, for each of the nine classes."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        now = {(row.abc, row.xyz): row.percent for row in ServiceLevel.objects.all()}
        for abc, xyz in CLASSES:
            self.fields[abc + xyz] = forms.DecimalField(
                min_value=Decimal(50), max_value=Decimal("99.99"), decimal_places=2, label=f"Class {abc}{xyz}",
                initial=now.get((abc, xyz), USUAL_SERVICE),
                widget=forms.NumberInput(attrs={"aria-label": f"Class {abc}{xyz}, percent", "class": "percent"}),
            )

    def rows(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields as a table: a row for each value class."""
        return [(abc, [self[abc + xyz] for xyz in "XYZ"]) for abc in "ABC"]

    def levels(self) -> dict[tuple[str, str], Decimal]:
        """The valid values by class."""
        return {(abc, xyz): self.cleaned_data[abc + xyz] for abc, xyz in CLASSES}

