"""The form of a measurement, and how measurements are written into an address.

In an address a measurement is `value~where~first~known~meter`: `4k7~panel~0~rest,1:alarm~ordinary`. Nothing of it is
stored, so the address alone can be kept, sent on, and cut by one measurement.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django import forms

from installs.queries.diagnosis import METERS, Subject, Taken
from installs.rules.diagnosis.model import Where
from installs.rules.errors import RuleError
from installs.rules.resistors import parse_ohm

WHERE: Mapping[str, Where] = {
    "panel": Where.PANEL,
    "connected": Where.PANEL_CONNECTED,
    "far": Where.FAR_END_OPEN,
    "far-joined": Where.FAR_END_JOINED,
    "towards": Where.TOWARDS_END,
}
SLUG = {where: slug for slug, where in WHERE.items()}
STATES = {"rest": "at rest", "alarm": "in alarm", "tamper": "tamper open", "mask": "masked", "fault": "in fault"}
_VOLTS = re.compile(r"(\d{1,3}(?:[.,]\d{1,4})?)\s*v(?:olts?)?", re.IGNORECASE)
_OPEN = {"open", "open circuit", "ol", "o.l", "o.l.", "inf", "∞"}


def parse_reading(text: str) -> tuple[float | None, float | None]:
    """Ohms (inf: open circuit) and volts, one of them None, from text as people write it. Raises ValidationError."""
    written = text.strip()
    if written.lower() in _OPEN:
        return math.inf, None
    volts = _VOLTS.fullmatch(written)
    if volts:
        return None, float(volts[1].replace(",", "."))
    try:
        ohm = parse_ohm(written)
    except RuleError as error:
        words = f"'{text[:40]}' {error.message}. {error.remedy} 'open' is an open circuit."
        raise forms.ValidationError(words) from None
    if ohm > 1e9:
        raise forms.ValidationError(f"'{text[:40]}' is beyond any meter. Write 'open' for an open circuit.")
    return ohm, None


@dataclass(frozen=True)
class Written:
    """A measurement as it stands in the address."""

    text: str
    taken: Taken
    code: str


def encode(text: str, taken: Taken) -> str:
    """The measurement for the address."""
    rest = "rest" if taken.known and set(taken.known.values()) == {frozenset()} else ""
    known = rest or ",".join(f"{place}:{'+'.join(sorted(on)) or 'rest'}" for place, on in sorted(taken.known.items()))
    return "~".join([text.strip(), SLUG[taken.where], str(taken.first), known, taken.meter])


def decode(code: str, subject: Subject) -> Written:
    """The measurement of the address. Raises ValidationError when somebody has tampered with it."""
    parts = code.split("~")
    refusal = forms.ValidationError("A measurement in the address cannot be read. Remove it and type it again.")
    if len(parts) != 5 or len(code) > 400:
        raise refusal
    text, where, first, known, meter = parts
    if where not in WHERE or meter not in METERS or not re.fullmatch(r"\d{1,3}", first):
        raise refusal
    ohm, volts = parse_reading(text)
    states: dict[int, frozenset[str]] = {}
    if known == "rest":
        states = {place.number: frozenset() for place in subject.places}
    elif known:
        for piece in known.split(","):
            match = re.fullmatch(r"(\d{1,3}):([a-z]+(?:\+[a-z]+)*)", piece)
            if match is None or int(match[1]) >= len(subject.places):
                raise refusal
            states[int(match[1])] = frozenset(match[2].split("+")) - {"rest"}
            if not states[int(match[1])] <= set(subject.places[int(match[1])].functions):
                raise refusal
    if int(first) >= max(len(subject.places), 1):
        raise refusal
    return Written(text, Taken(ohm, volts, WHERE[where], int(first), states, meter), code)


class MeasurementForm(forms.Form):
    """One measurement: what the meter shows, where, and what is known of the devices."""

    value = forms.CharField(max_length=40, required=False, label="The meter shows")
    where = forms.ChoiceField(required=False, label="Measured")
    first = forms.TypedChoiceField(required=False, coerce=int, empty_value=None, label="Line opened before")
    rest = forms.BooleanField(required=False, label="Nobody about, covers on: all at rest")
    meter = forms.ChoiceField(required=False, choices=[(key, kind.words) for key, kind in METERS.items()])

    def __init__(self, subject: Subject, data: Mapping[str, Any] | None = None) -> None:
        super().__init__(data)
        self.subject = subject
        value = self.fields["value"]
        value.help_text = "Like 4k7, 4.7k, 4700 or open" + (
            "; or volts with the pair connected and powered, like 6.2 V." if subject.takes_volts else "."
        )
        value.widget.attrs |= {"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}
        # A pair left connected has the input's own resistor beside it, so its value must be known.
        offered = [slug for slug in WHERE if slug != "connected" or subject.pull_up_ohm is not None]
        self.fields["where"].choices = [(slug, WHERE[slug].value) for slug in offered]  # type: ignore[attr-defined]
        self.fields["first"].choices = [  # type: ignore[attr-defined]
            (place.number, f"{place.mark} {place.position}") for place in subject.places
        ]
        for place in subject.places:
            self.fields[f"s{place.number}"] = forms.ChoiceField(
                required=False, label=f"{place.mark} {place.position}",
                choices=[
                    ("", "as the switch above says"),
                    *((key, words) for key, words in STATES.items() if key == "rest" or key in place.functions),
                ],
            )

    def state_fields(self) -> list[forms.BoundField]:
        return [self[f"s{place.number}"] for place in self.subject.places]

    def some_state_given(self) -> bool:
        return any(field.value() for field in self.state_fields())

    def clean_value(self) -> str:
        text: str = self.cleaned_data["value"].strip()
        if "~" in text:
            raise forms.ValidationError("'~' belongs to no value. Write it as 4k7, 4.7k or open.")
        if text:
            parse_reading(text)
        return text

    def written(self) -> Written | None:
        """The measurement; None as long as no value is typed, or one that cannot be used."""
        if not self.is_valid() or not self.cleaned_data["value"]:
            return None
        given = self.cleaned_data
        ohm, volts = parse_reading(given["value"])
        known: dict[int, frozenset[str]] = {}
        for place in self.subject.places:
            state = given[f"s{place.number}"] or ("rest" if given["rest"] else "")
            if state:
                known[place.number] = frozenset() if state == "rest" else frozenset({state})
        where = WHERE[given["where"] or "panel"]
        first = given["first"] or 0 if where is Where.TOWARDS_END else 0
        taken = Taken(ohm, volts, where, first, known, given["meter"] or "ordinary")
        return Written(given["value"], taken, encode(given["value"], taken))
