"""From a measured value to its causes, without a reload and without keeping anything: all is in the address."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode, urlsplit
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.core import signing
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import InvalidInput, ZonewrightError
from installs.forms_diagnosis import SLUG, STATES, MeasurementForm, Written, decode
from installs.models import LoopMeasurement
from installs.queries import scope
from installs.queries.diagnosis import (
    MOST_MEASUREMENTS,
    Answer,
    Subject,
    diagnose_circuit,
    diagnosis_subject,
    spoken,
)
from installs.rules.diagnosis.model import Cause, NextStep, Prediction, Where
from installs.services.measurements import keep_measurement
from installs.services.reads import log_read

_FITS = ((0.8, "very likely"), (0.5, "likely"), (0.2, "possible"), (0.05, "unlikely"), (0.0, "hardly"))
# A look is logged once for the page; what is typed there afterwards belongs to it for so long.
_LOOK_SECONDS = 8 * 3600
_SALT = "installs.diagnosis.look"
_KEPT_AT = {Where.PANEL: LoopMeasurement.Place.PANEL, Where.FAR_END_OPEN: LoopMeasurement.Place.FAR_END}


@dataclass
class _Line:
    """A measurement as shown: `without` is the address that leaves it out, `may_keep` whether the trend has a place
    for it."""

    words: str
    reads: str | None
    without: str
    code: str
    may_keep: bool


@dataclass
class _Step:
    """What to do, and what each reading would speak for."""

    words: str
    speaks: str
    address: str


@dataclass
class _CauseLine:
    cause: Cause
    percent: int
    fit: str
    predicted: list[str] = field(default_factory=list)
    step: _Step | None = None


@require_GET
@needs(Right.SEE_SITES)
def diagnose(request: UserRequest, pk: int) -> HttpResponse:
    """Type a measured value and read its causes, ranked. The look is logged once, not at each letter."""
    subject = diagnosis_subject(request.user, pk)
    if subject is None:
        raise Http404
    htmx = request.htmx  # type: ignore[attr-defined]
    partial = bool(htmx) and not htmx.boosted and not htmx.history_restore_request
    only_causes = partial and htmx.target == "causes"
    if not (only_causes and _looked(request, pk)):
        log_read(
            subject.site_id, by=request.user, door="page: diagnosis", address=request.META.get("REMOTE_ADDR")
        )
    context = _context(request, subject)
    context["look"] = signing.dumps([request.user.pk, pk], salt=_SALT)
    template = "_causes" if only_causes else "_diagnose" if partial else "diagnose"
    response = render(request, f"installs/{template}.html", context)
    # Within the page the address follows what is typed; from the circuit's page it is one step forward.
    here = partial and urlsplit(htmx.current_url or "").path == request.path
    if here or (partial and context["answer"]):
        response["HX-Replace-Url" if here else "HX-Push-Url"] = context["address"]
    return response


@require_POST
@needs(Right.EDIT_SITES)
def write_down(request: UserRequest, pk: int) -> HttpResponseBase:
    """Keep one of the measurements, so that it goes into the circuit's trend."""
    subject = diagnosis_subject(request.user, pk)
    if subject is None:
        raise Http404
    try:
        one = decode(request.POST.get("keep", ""), subject)
    except forms.ValidationError as error:
        raise InvalidInput(
            error.messages[0], field="keep", value=request.POST.get("keep", ""), remedy="Open the circuit's page again."
        ) from None
    if not _may_keep(one):
        raise InvalidInput(
            "Only ohms at the panel or at the open far end are kept.", field="keep", value=one.text,
            remedy="Measure there, with the pair disconnected from the panel.",
        )
    ohm = one.taken.ohm
    at_rest = len(one.taken.known) == len(subject.places) and not any(one.taken.known.values())
    keep_measurement(
        get_object_or_404(scope.circuits(request.user), pk=pk),
        ohm=None if ohm is None or math.isinf(ohm) else ohm, measured_on=timezone.localdate(), by=request.user,
        place=_KEPT_AT[one.taken.where], at_rest=at_rest, key=request.POST.get("token", "")[:100] or None,
    )
    messages.success(
        request,
        f"{spoken(ohm)} written down for circuit {subject.number}" + ("." if at_rest else
        "; it stays out of the trend, because not every device was known to be at rest."),
    )
    return redirect(_address(reverse("installs:circuit-diagnose", args=[pk]), request.POST.getlist("m")))


def _may_keep(one: Written) -> bool:
    return one.taken.volts is None and one.taken.where in _KEPT_AT


def _looked(request: UserRequest, pk: int) -> bool:
    try:
        seen = signing.loads(request.headers.get("X-Look", ""), salt=_SALT, max_age=_LOOK_SECONDS)
    except signing.BadSignature:
        return False
    return bool(seen == [request.user.pk, pk])


def _context(request: UserRequest, subject: Subject) -> dict[str, Any]:
    base = reverse("installs:circuit-diagnose", args=[subject.id])
    form = MeasurementForm(subject, request.GET)
    current = form.written()
    kept, problems = _kept(request, subject)
    measurements = [*kept, *([current] if current else [])]
    codes = [one.code for one in measurements]
    answer: Answer | None = None
    if measurements and len(measurements) <= MOST_MEASUREMENTS:
        try:
            answer = diagnose_circuit(subject, [one.taken for one in measurements])
        except ZonewrightError as error:
            problems.append(str(error))
    elif measurements:
        problems.append(f"More than {MOST_MEASUREMENTS} measurements cannot be judged together. Remove one.")
    return {
        "subject": subject,
        "form": form,
        "base": base,
        "kept": [one.code for one in kept],
        "problems": problems,
        "address": _address(base, codes),
        "another": _address(base, codes),
        "codes": codes,
        "token": uuid4(),
        "may_edit": request.user.has_right(Right.EDIT_SITES),
        "entered": bool(request.GET),
        "answer": answer,
        "lines": _lines(base, subject, measurements, answer),
        "causes": _causes(base, codes, subject, answer) if answer else [],
        "step": _step(base, codes, subject, answer.diagnosis.next_step) if answer else None,
    }


def _kept(request: UserRequest, subject: Subject) -> tuple[list[Written], list[str]]:
    kept: list[Written] = []
    problems: list[str] = []
    for code in request.GET.getlist("m"):
        try:
            kept.append(decode(code, subject))
        except forms.ValidationError as error:
            problems += error.messages
    return kept, problems


def _address(base: str, codes: Sequence[str], **more: str) -> str:
    query = urlencode([*(("m", code) for code in codes), *more.items()])
    return f"{base}?{query}" if query else base


def _lines(base: str, subject: Subject, measurements: Sequence[Written], answer: Answer | None) -> list[_Line]:
    lines = []
    for index, one in enumerate(measurements):
        ohm = answer.measurements[index].ohm if answer else one.taken.ohm
        value = spoken(ohm) if answer or one.taken.volts is None else ""
        shown = f"{one.taken.volts:g} V, so {value}" if one.taken.volts is not None else value
        rest = [code.code for place, code in enumerate(measurements) if place != index]
        lines.append(
            _Line(
                words=f"{shown} {_circumstances(subject, one)}", reads=answer.reads[index] if answer else None,
                without=_address(base, rest), code=one.code, may_keep=_may_keep(one),
            )
        )
    return lines


def _circumstances(subject: Subject, one: Written) -> str:
    """'from D2 towards the end, line opened before it, all at rest'."""
    where = one.taken.where.value if one.taken.volts is None else "at the panel's terminals"
    if one.taken.where is Where.TOWARDS_END:
        where = where.replace("a device", subject.places[one.taken.first].mark)
    known = one.taken.known
    if known and len(known) == len(subject.places) and not any(known.values()):
        return f"{where}, all at rest"
    states = [
        f"{subject.places[place].mark} {' and '.join(STATES[name] for name in sorted(on)) or STATES['rest']}"
        for place, on in sorted(known.items())
    ]
    return ", ".join([where, *states])


def _range(prediction: Prediction) -> str:
    least, greatest = spoken(prediction.least_ohm), spoken(prediction.greatest_ohm)
    return least if least == greatest else f"{least} to {greatest}"


def _causes(base: str, codes: Sequence[str], subject: Subject, answer: Answer) -> list[_CauseLine]:
    return [
        _CauseLine(
            cause=cause,
            percent=round(cause.fit * 100),
            fit=next(words for least, words in _FITS if cause.fit >= least),
            predicted=[
                (f"Measurement {number}: " if len(answer.measurements) > 1 else "")
                + f"would read {_range(prediction)}, measured {spoken(measured.ohm)}"
                for number, (prediction, measured) in enumerate(
                    zip(cause.predicted, answer.measurements, strict=True), start=1
                )
            ],
            step=_step(base, codes, subject, cause.next_step),
        )
        for cause in answer.diagnosis.causes
    ]


def _step(base: str, codes: Sequence[str], subject: Subject, step: NextStep | None) -> _Step | None:
    if step is None:
        return None
    # The form asks for one state a device; whatever is in several goes in as not known.
    states = {f"s{place}": next(iter(on), "rest") for place, on in step.known.items() if len(on) < 2}
    if len(states) == len(subject.places) and set(states.values()) == {"rest"}:
        states = {"rest": "on"}
    address = _address(base, codes, where=SLUG[step.where], first=str(step.first), **states)
    words, _, speaks = step.words.partition(": ")
    return _Step(words, speaks[:1].upper() + speaks[1:], address)
