"""What the maintenance pages read from people."""

from __future__ import annotations

import re
import uuid
from datetime import date, datetime
from typing import Any

from django import forms
from django.urls import reverse
from django.utils import timezone

from installs.forms_ohm import OhmField
from maintenance.models import Flag, RegimeRule, SwapNeed, SwapProposal, SwapVerdict, TestResult, Visit
from maintenance.queries.due import DueFilter
from maintenance.queries.proposal_list import ProposalFilter
from maintenance.queries.visits import PlanChoices, TaskRow, VisitFilter
from maintenance.services.results import ResultEntry
from stock.models.catalogue import Grade

ANY = [("", "any")]


class _Choices(forms.Form):
    """A form whose lists of people and branches come from the page."""

    def offer(self, name: str, choices: list[tuple[int, str]], first: str = "any") -> None:
        field = self.fields[name]
        assert isinstance(field, forms.TypedChoiceField)
        field.choices = [("", first), *choices]


class MonthField(forms.Field):
    """A month as '2026-12'; gives its first day."""

    widget = forms.TextInput(attrs={"type": "month"})

    def to_python(self, value: Any) -> date | None:
        if not value:
            return None
        if not re.fullmatch(r"[12]\d{3}-(0[1-9]|1[0-2])", str(value)):
            raise forms.ValidationError(f"'{value}' is no month. Write year and month, for example 2026-12.")
        year, month = str(value).split("-")
        return date(int(year), int(month), 1)

    def prepare_value(self, value: Any) -> Any:
        return f"{value:%Y-%m}" if isinstance(value, date) else value


def _whole() -> forms.TypedChoiceField:
    return forms.TypedChoiceField(required=False, coerce=int, empty_value=None, choices=ANY)


class DueFilterForm(_Choices):
    state = forms.ChoiceField(required=False, choices=[("", "late or failed"), *Flag.State.choices])
    test = forms.ChoiceField(required=False, choices=[*ANY, *RegimeRule.Test.choices])
    month = MonthField(required=False, label="Due in")
    grade = forms.TypedChoiceField(required=False, coerce=int, empty_value=None, choices=[*ANY, *Grade.choices])
    branch = _whole()

    def choice(self) -> DueFilter:
        """What was asked for; a value that cannot be used narrows nothing and is shown as an error."""
        self.is_valid()
        given = self.cleaned_data
        return DueFilter(
            state=given.get("state") or "", test=given.get("test") or "", branch_id=given.get("branch"),
            month=given.get("month"), grade=given.get("grade"),
        )


class VisitFilterForm(_Choices):
    day = forms.DateField(required=False, widget=forms.DateInput(attrs={"type": "date"}))
    engineer = _whole()
    kind = forms.ChoiceField(required=False, choices=[*ANY, *Visit.Kind.choices])
    state = forms.ChoiceField(required=False, choices=[*ANY, *Visit.State.choices])

    def choice(self) -> VisitFilter:
        self.is_valid()
        given = self.cleaned_data
        return VisitFilter(
            day=given.get("day"), engineer_id=given.get("engineer"), state=given.get("state") or "",
            kind=given.get("kind") or "",
        )


class ProposalFilterForm(forms.Form):
    state = forms.ChoiceField(
        required=False, choices=[("", "waiting"), *[c for c in SwapProposal.State.choices if c[0] != "waiting"]]
    )
    verdict = forms.ChoiceField(
        required=False,
        choices=[*ANY, *[(v.value, v.label) for v in SwapVerdict.PROPOSABLE]],
    )
    reason = forms.ChoiceField(required=False, choices=[*ANY, *SwapNeed.Reason.choices])

    def choice(self) -> ProposalFilter:
        self.is_valid()
        return ProposalFilter(**{name: value for name, value in self.cleaned_data.items() if value})


class NeedFilterForm(forms.Form):
    reason = forms.ChoiceField(required=False, choices=[*ANY, *SwapNeed.Reason.choices])


class PeriodForm(_Choices):
    """A day, a time window and an engineer."""

    engineer = forms.TypedChoiceField(coerce=int, choices=ANY)
    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    starts = forms.TimeField(label="From", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    ends = forms.TimeField(label="To", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    note = forms.CharField(required=False, max_length=200, label="Note for the engineer")

    def moment(self, name: str) -> datetime:
        """The start or the end, in the firm's time zone."""
        return timezone.make_aware(datetime.combine(self.cleaned_data["day"], self.cleaned_data[name]))


class PlanForm(PeriodForm):
    kind = forms.ChoiceField(choices=Visit.Kind.choices)
    requirements = forms.TypedMultipleChoiceField(
        required=False, coerce=int, label="What the visit is to do", widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, choices: PlanChoices, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offer("engineer", [(engineer.pk, engineer.user.name) for engineer in choices.engineers], "choose")
        wanted = self.fields["requirements"]
        assert isinstance(wanted, forms.TypedMultipleChoiceField)
        wanted.choices = [(requirement.pk, requirement.test) for requirement in choices.requirements]


class MoveForm(PeriodForm):
    version = forms.IntegerField(widget=forms.HiddenInput)


class CancelForm(forms.Form):
    version = forms.IntegerField(widget=forms.HiddenInput)
    reason = forms.CharField(max_length=150, label="Why the visit does not take place")


class DecisionForm(forms.Form):
    version = forms.IntegerField(widget=forms.HiddenInput)
    decision = forms.ChoiceField(choices=[("accept", "Accept"), ("decline", "Decline")])
    note = forms.CharField(required=False, max_length=200, label="Note")


class TaskForm(forms.Form):
    """One task of a visit: nothing is chosen beforehand, so that nothing is passed by habit. What is left open
    was not done; a large site has dozens of tasks, and a visit may be cut short."""

    outcome = forms.ChoiceField(required=False, choices=TestResult.Outcome.choices, widget=forms.RadioSelect)
    measured = OhmField(required=False, label="Measured loop resistance (Ω)")
    note = forms.CharField(required=False, max_length=300, label="Note")

    def __init__(self, task: TaskRow, *args: Any, **kwargs: Any) -> None:
        kwargs |= {"prefix": f"task-{task.requirement_id}", "use_required_attribute": False}
        super().__init__(*args, **kwargs)
        self.task = task
        if not task.is_loop:
            del self.fields["measured"]
        elif task.circuit_id is not None:
            # What the value says of the circuit, as soon as it is written; without script nothing of it is missed.
            address = reverse("installs:circuit-reads", args=[task.circuit_id])
            self.fields["measured"].widget.attrs |= {
                "hx-get": f"{address}?field={self.add_prefix('measured')}", "hx-trigger": "change",
                "hx-target": f"#{self.reads_id}", "hx-sync": "this:replace", "aria-describedby": self.reads_id,
            }

    @property
    def reads_id(self) -> str:
        """Where the verdict on the measured value is shown."""
        return f"{self.prefix}-reads"

    def clean_note(self) -> str:
        note: str = self.cleaned_data["note"]
        said = note.strip() or self.cleaned_data.get("measured") is not None
        if said and not self.cleaned_data.get("outcome") and "outcome" not in self.errors:
            self.add_error("outcome", "Say passed, failed or not done: something was written for this task.")
        return note

    def entry(self) -> ResultEntry:
        return ResultEntry(
            requirement_id=self.task.requirement_id,
            outcome=self.cleaned_data["outcome"] or TestResult.Outcome.NOT_DONE,
            measured_ohm=self.cleaned_data.get("measured"), note=self.cleaned_data["note"],
        )


class RecordForm(forms.Form):
    """The day, and a token that makes a second press of the button change nothing."""

    done_on = forms.DateField(
        label="Done on", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    token = forms.CharField(max_length=60, widget=forms.HiddenInput)


class ResultsForm:
    """The form of a whole visit: `RecordForm` and one `TaskForm` for each task."""

    def __init__(self, tasks: tuple[TaskRow, ...], data: Any = None, *, today: date | None = None) -> None:
        self.record = RecordForm(data, initial={"done_on": today, "token": uuid.uuid4().hex})
        self.tasks = [TaskForm(task, data) for task in tasks]

    def is_valid(self) -> bool:
        if not all([self.record.is_valid(), *[form.is_valid() for form in self.tasks]]):
            return False
        if self.tasks and not any(form.cleaned_data["outcome"] for form in self.tasks):
            self.record.add_error(
                None, "No task has an outcome. Choose at least one, or cancel the visit if it did not take place."
            )
        return self.record.is_valid()

    def entries(self) -> list[ResultEntry]:
        return [form.entry() for form in self.tasks]
