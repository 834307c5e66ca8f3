"""The form of a device's power feed."""

from __future__ import annotations

from typing import Any

from django import forms

from installs.models import Device
from installs.services.supply import LONGEST_RUN_M, MOST_CORES
from stock.models import CableType


class _Feeder(forms.ModelChoiceField[Device]):
    def label_from_instance(self, obj: Device) -> str:
        return f"{obj.mark} {obj.position}"


class PowerFeedForm(forms.Form):
    """Where a device's power pair comes from; `version` is the record's state when it was read."""

    version = forms.CharField(widget=forms.HiddenInput, required=False)
    fed_from = _Feeder(
        queryset=Device.objects.none(), required=False, empty_label="the panel", label="Fed from",
        help_text="The device whose supply terminals the pair is taken from.",
    )
    run_m = forms.FloatField(
        min_value=0, max_value=LONGEST_RUN_M, label="Cable from there, m", help_text="Metres along the cable."
    )
    cable_type = forms.ModelChoiceField(queryset=CableType.objects.order_by("name"), label="Cable")
    cores_per_pole = forms.IntegerField(
        min_value=1, max_value=MOST_CORES, initial=1, label="Cores per pole",
        help_text="2 where two cores are joined for each of + and -.",
    )

    def __init__(self, device: Device, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        others = Device.objects.filter(system_id=device.system_id, removed_on=None).exclude(pk=device.pk)
        self.fields["fed_from"].queryset = others.order_by("mark")  # type: ignore[attr-defined]
