"""Administration of panel inputs: bands in ohms, or in terminal volts of an input with a reference and a pull-up."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, ClassVar

from django import forms
from django.forms.models import BaseInlineFormSet

from installs.models import InputBand, InputProfile
from installs.rules.errors import RuleError
from installs.rules.panel_inputs import PanelInput, VoltBand, bands_in_ohm


class InputProfileForm(forms.ModelForm[InputProfile]):
    """An input; one whose bands are in volts has both a reference and a pull-up."""

    class Meta:
        model = InputProfile
        fields: ClassVar = [
            "panel_type", "code", "topology", "reference_v", "pull_up_ohm", "pull_up_tolerance_percent",
        ]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        names = ("reference_v", "pull_up_ohm")
        if (given.get("reference_v") is None) != (given.get("pull_up_ohm") is None):
            for name in names:
                if given.get(name) is None and not self.has_error(name):
                    self.add_error(name, "Reference and pull-up go together: give both, or neither.")
        for name in names:
            value = given.get(name)
            if value is not None and not value > 0:
                self.add_error(name, f"{value:g} cannot be right. Give more than 0.")
        tolerance = given.get("pull_up_tolerance_percent")
        if tolerance is not None and not 0 <= tolerance < 100:
            self.add_error("pull_up_tolerance_percent", f"{tolerance:g} % is not a tolerance. Give 0 to below 100 %.")
        return given


class InputBandForm(forms.ModelForm[InputBand]):
    """A band; with volts its ohms are computed, from the input as it is being saved."""

    class Meta:
        model = InputBand
        fields: ClassVar = ["state", "low_v", "high_v", "low_ohm", "high_ohm"]

    profile: InputProfile

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if "low_ohm" in self.fields:
            self.fields["low_ohm"].required = False

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        low_v, high_v = given.get("low_v"), given.get("high_v")
        low_ohm, high_ohm = given.get("low_ohm"), given.get("high_ohm")
        profile = self.profile
        if low_v is None and high_v is None:
            if profile.reference_v is not None and "low_ohm" not in self.fields:
                self.add_error("low_v", "Give the volts at which this band starts.")
            elif low_ohm is None:
                self.add_error(None, "Give the band's lower edge, in ohms or in volts.")
            elif high_ohm is not None and not high_ohm > low_ohm >= 0:
                self.add_error("high_ohm", f"{high_ohm:g} Ω does not lie above {low_ohm:g} Ω. Give more, or nothing.")
            return given
        if profile.reference_v is None or profile.pull_up_ohm is None:
            self.add_error(
                "low_v", "This input has no reference voltage and pull-up. Give both above, or the band in ohms."
            )
            return given
        band = VoltBand(given.get("state", ""), low_v or 0.0, high_v)
        source = PanelInput(profile.reference_v, profile.pull_up_ohm, profile.pull_up_tolerance_percent)
        try:
            (ohms,) = bands_in_ohm(source, [band])
        except RuleError as error:
            edge = "high_v" if high_v is not None else "low_v"
            self.add_error(edge, f"{error.message} (given {low_v or 0:g} V to {high_v} V). {error.remedy}")
            return given
        # The trigger writes the same; the model's own checks need them before.
        self.instance.low_ohm, self.instance.high_ohm = ohms.low_ohm, ohms.high_ohm
        given["low_ohm"], given["high_ohm"] = ohms.low_ohm, ohms.high_ohm
        return given


    def validate_constraints(self) -> None:
        """Not one by one: the others in the database may be about to move as well. The formset compares them all."""


class InputBandFormSet(BaseInlineFormSet[InputBand, InputProfile, InputBandForm]):
    """The bands of one input, which must not overlap."""

    def _construct_form(self, i: int, **kwargs: Any) -> InputBandForm:
        form: InputBandForm = super()._construct_form(i, **kwargs)  # type: ignore[misc]
        # The input as it is about to be saved, not as the database still has it.
        form.profile = self.instance
        return form

    def clean(self) -> None:
        super().clean()
        if any(self.errors):
            return
        kept = [form.instance for form in self.forms if form.cleaned_data and not form.cleaned_data.get("DELETE")]
        kept.sort(key=lambda band: band.low_ohm)
        for below, above in pairwise(kept):
            if below.high_ohm is None or below.high_ohm > above.low_ohm:
                raise forms.ValidationError(
                    f"The {below.state} and {above.state} bands overlap. Let each start where the one below ends."
                )
