"""What is asked of the parts: where, until when, and how many of which variant."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.http import QueryDict

from config.accounts.models import User
from stock.queries.kits import families, places
from stock.rules.kits import MOST

PRIORITIES = 3
MOST_WANTED = 200
MORE = 5
_WANTED = re.compile(r"wanted-(\d{1,18})")


class KitsForm(forms.Form):
    """Where the parts are, and what the list shows."""

    place = forms.ChoiceField(label="Parts of")
    until = forms.DateField(
        required=False, label="With orders due by", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="counts for a branch only",
    )
    family = forms.TypedChoiceField(required=False, coerce=int, empty_value=None)
    more = forms.IntegerField(required=False, min_value=1, max_value=1000, label="Parts missing for how many more")

    def __init__(self, user: User, data: QueryDict) -> None:
        offered = places(user)
        filled = data.copy()
        filled.setdefault("more", str(MORE))
        if offered and not data.get("place"):
            filled["place"] = offered[0].key
        super().__init__(filled)
        self.fields["place"].choices = [(place.key, place.name) for place in offered]  # type: ignore[attr-defined]
        self.fields["family"].choices = [("", "Every family"), *families()]  # type: ignore[attr-defined]
        self.places = {place.key: place for place in offered}


class WantedForm(forms.Form):
    """One variant's line: how many are wanted, and how soon."""

    wanted = forms.IntegerField(required=False, min_value=0, max_value=MOST)
    priority = forms.TypedChoiceField(
        required=False, coerce=int, empty_value=None,
        choices=[(number, str(number)) for number in range(1, PRIORITIES + 1)],
    )


def wanted_of(data: QueryDict) -> tuple[list[tuple[int, int, int]], dict[int, str]]:
    """Variant, number and priority of every line filled in, and by variant what is wrong with a line."""
    wanted, wrong = [], {}
    for name in data:
        named = _WANTED.fullmatch(name)
        typed = str(data[name]).strip()
        if named is None or not typed:
            continue
        variant = int(named.group(1))
        form = WantedForm({"wanted": typed, "priority": data.get(f"priority-{variant}", "1")})
        if not form.is_valid():
            wrong[variant] = f"Write a whole number from 0 to {MOST:,}, and a priority from 1 to {PRIORITIES}."
        elif form.cleaned_data["wanted"]:
            wanted.append((variant, form.cleaned_data["wanted"], form.cleaned_data["priority"] or 1))
    if len(wanted) > MOST_WANTED:
        wrong[wanted[MOST_WANTED][0]] = f"Ask for at most {MOST_WANTED} variants at once."
    return wanted, wrong


def lines_of(data: QueryDict, variants: list[int]) -> dict[int, dict[str, Any]]:
    """What was typed for each variant, to be shown again."""
    return {
        variant: {"wanted": data.get(f"wanted-{variant}", ""), "priority": data.get(f"priority-{variant}", "1")}
        for variant in variants
    }
