"""What a person may see of the maintenance records: each follows the sites that the person may open."""

from __future__ import annotations

from typing import Any, TypeVar

from django.db.models import Model, QuerySet

from config.accounts.models import Branch, User
from config.accounts.rights import Right, Role
from installs.models import Site
from maintenance.models import Absence, Engineer, Flag, Regime, RegimeRule, Requirement, Shortage, TestResult

Record = TypeVar("Record", bound=Model)


def of_sites(queryset: QuerySet[Record], user: User, path: str = "site") -> QuerySet[Record]:
    """Only records of sites that the person may open; `path` leads from the record to its site."""
    lookup: dict[str, Any] = {f"{path}__in": Site.objects.visible_to(user).values("pk")}
    return queryset.filter(**lookup)


def requirements_of(user: User) -> QuerySet[Requirement]:
    return of_sites(Requirement.objects.all(), user)


def flags_of(user: User) -> QuerySet[Flag]:
    """Flags that hold now."""
    return of_sites(Flag.objects.filter(withdrawn_at=None), user)


def results_of(user: User) -> QuerySet[TestResult]:
    return of_sites(TestResult.objects.all(), user, "requirement__site")


def regimes_of(user: User) -> QuerySet[Regime]:
    """Regimes are the whole firm's."""
    return Regime.objects.all() if user.has_right(Right.SEE_VISITS) else Regime.objects.none()


def rules_of(user: User) -> QuerySet[RegimeRule]:
    return RegimeRule.objects.all() if user.has_right(Right.SEE_VISITS) else RegimeRule.objects.none()


def engineers_of(user: User) -> QuerySet[Engineer]:
    """An engineer's own record; else those of the branch, active people only."""
    if not user.has_right(Right.SEE_VISITS):
        return Engineer.objects.none()
    engineers = Engineer.objects.filter(user__is_active=True)
    if user.role == Role.ENGINEER:
        return engineers.filter(user=user)
    return engineers if user.branch_id is None else engineers.filter(user__branch_id=user.branch_id)


def absences_of(user: User) -> QuerySet[Absence]:
    return Absence.objects.filter(engineer__in=engineers_of(user).values("pk"))


def shortages_of(user: User) -> QuerySet[Shortage]:
    if not user.has_right(Right.SEE_STOCK):
        return Shortage.objects.none()
    shortages = Shortage.objects.all()
    return shortages if user.branch_id is None else shortages.filter(branch_id=user.branch_id)


def branches_of(user: User) -> QuerySet[Branch]:
    branches = Branch.objects.order_by("name")
    return branches if user.branch_id is None else branches.filter(pk=user.branch_id)
