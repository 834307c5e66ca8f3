"""The form of a design. It is sent by GET, so that a design has an address that can be handed on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from django import forms

from installs.forms_ohm import OhmField
from installs.queries.design import ROLES, DesignChoices, DesignRequest
from installs.rules.design import MOST_DEVICES
from stock.models.catalogue import FUNCTIONS, EnvironmentalClass

_METRES = re.compile(r"\d{1,5}(?:\.\d{1,2})?")
_ROLE_LABELS = {"eol": "End-of-line resistor", "alarm": "Alarm resistor", "mask": "Mask resistor"}


def parse_runs(text: str) -> tuple[float, ...]:
    """Metres of each run from '12, 8, 5'. Raises ValidationError naming the run."""
    parts = [part for part in re.split(r"[;,\s]+", text.strip()) if part]
    for part in parts:
        if not _METRES.fullmatch(part):
            raise forms.ValidationError(f"'{part[:20]}' is not a number of metres. Write runs like 12, 8.5, 5.")
    return tuple(float(part) for part in parts)


class DesignForm(forms.Form):
    """One circuit to be wired."""

    profile = forms.TypedChoiceField(label="Panel and input", coerce=int,
        error_messages={"required": "Choose a panel and its input."},
    )
    topology = forms.TypedChoiceField(label="Wiring", coerce=int, required=False, empty_value=None)
    cable = forms.TypedChoiceField(label="Cable", coerce=int)
    environmental_class = forms.TypedChoiceField(
        label="Environment", coerce=int, choices=EnvironmentalClass.choices, required=False, empty_value=None, initial=2
    )
    devices = forms.IntegerField(
        label="Devices", min_value=1, max_value=MOST_DEVICES, initial=1, required=False
    )
    first_m = forms.FloatField(
        label="Metres to the first", min_value=0, max_value=10_000, initial=20, required=False
    )
    between_m = forms.FloatField(
        label="Metres between devices", min_value=0, max_value=10_000, initial=5, required=False
    )
    runs = forms.CharField(
        label="Or each run in metres", max_length=300, required=False,
        help_text="Like 12, 8, 5: to the first device, then on to each next. Stands in for the three fields above.",
    )
    signals = forms.MultipleChoiceField(
        label="Signals carried", choices=[(name, name) for name in FUNCTIONS], required=False,
        widget=forms.CheckboxSelectMultiple, help_text="None ticked: all that the wiring can carry.",
    )
    board = forms.TypedChoiceField(label="A board", coerce=int, required=False, empty_value=None)
    eol_ohm = OhmField(label=_ROLE_LABELS["eol"], required=False)
    alarm_ohm = OhmField(label=_ROLE_LABELS["alarm"], required=False)
    mask_ohm = OhmField(label=_ROLE_LABELS["mask"], required=False)
    series = forms.ChoiceField(
        label="Preferred values", choices=[("E24", "E24"), ("E96", "E96")], required=False, initial="E24"
    )

    def __init__(self, choices: DesignChoices, data: Mapping[str, Any] | None) -> None:
        super().__init__(data, auto_id="design-%s")
        for name, offered in (
            ("profile", [("", "Choose a panel and input"), *choices.profiles]),
            ("topology", [("", "as the input is set"), *choices.topologies]),
            ("cable", [*choices.cables]),
            ("board", [("", "none, or hand-wired"), *choices.boards]),
        ):
            field = self.fields[name]
            assert isinstance(field, forms.TypedChoiceField)
            field.choices = offered
        for name in ("eol_ohm", "alarm_ohm", "mask_ohm"):
            self.fields[name].widget.attrs |= {"placeholder": "4k7", "maxlength": 20}

    def clean_runs(self) -> tuple[float, ...]:
        runs = parse_runs(self.cleaned_data["runs"])
        if len(runs) > MOST_DEVICES:
            raise forms.ValidationError(f"{len(runs)} runs are too many for one loop. Give {MOST_DEVICES} or fewer.")
        return runs

    def request(self) -> DesignRequest:
        """The design asked for; only of a valid form."""
        given = self.cleaned_data
        first, between = (20.0 if given["first_m"] is None else given["first_m"], given["between_m"] or 0.0)
        return DesignRequest(
            profile_id=given["profile"],
            cable_id=given["cable"],
            runs_m=given["runs"] or (first, *[between] * ((given["devices"] or 1) - 1)),
            topology_id=given["topology"],
            carried=frozenset(given["signals"]),
            board_id=given["board"],
            resistor_ohm={role: given[f"{role}_ohm"] for role in ROLES if given[f"{role}_ohm"] is not None},
            series=given["series"] or "E24",
            environmental_class=given["environmental_class"] or EnvironmentalClass.II,
        )
