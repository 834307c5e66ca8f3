"""What page forms share: a service's error at its field, and a token by which a form is carried out once."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms

from config.errors import ZonewrightError


class Refusing(forms.BaseForm):
    """Shows a service's error at the field it names."""

    def refuse(self, error: ZonewrightError) -> None:
        """Put the error at its field; at the head of the form where it names none that a person fills in."""
        field = error.field if error.field in self.fields and error.field != "token" else None
        self.add_error(field, f"{error.message} {error.remedy}".strip())


class OnceForm(Refusing, forms.Form):
    """A form that is carried out once: its hidden token goes to `post_once` with what was asked."""

    token = forms.CharField(max_length=90, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"token": uuid.uuid4().hex} | (kwargs.get("initial") or {})
        super().__init__(*args, **kwargs)

    def content(self) -> dict[str, Any]:
        """The values of a valid form but for the token."""
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}
