"""Two people, or one impatient thumb, at the same moment: real threads on the real database."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from config.accounts.models import Branch, User
from config.errors import Conflict
from maintenance.models import TestResult, Visit
from maintenance.services.results import ResultEntry, record_results
from maintenance.services.visits import plan_visit
from tests.maintenance.door_scene import at, engineer_of, next_monday, site_of, visit_of

pytestmark = pytest.mark.django_db(transaction=True)


def together(*acts: Callable[[], Any]) -> list[Any]:
    """Run all at once, each on a connection of its own; give the results or the errors."""
    ready = Barrier(len(acts))

    def run(act: Callable[[], Any]) -> Any:
        try:
            connection.ensure_connection()
            ready.wait(timeout=10)
            return act()
        except Conflict as error:
            return error
        finally:
            connection.close()

    with ThreadPoolExecutor(len(acts)) as threads:
        return list(threads.map(run, acts))


def test_a_double_press_records_once(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    entry = ResultEntry(visit.tasks.get().requirement_id, "passed", 4700.0)

    def press() -> list[int]:
        rows = record_results(visit, [entry], by=engineer, done_on=timezone.localdate(), key="thumb")
        return [row.pk for row in rows]

    first, second = together(press, press)
    assert first == second == [TestResult.objects.get().pk]


def test_two_recordings_of_one_visit_leave_one(branch: Branch, engineer: User, scheduler: User) -> None:
    visit = visit_of(branch, engineer)
    entry = ResultEntry(visit.tasks.get().requirement_id, "passed", 4700.0)
    answers = together(
        *[
            lambda key=key: record_results(visit, [entry], by=engineer, done_on=timezone.localdate(), key=key)
            for key in ("phone", "tablet")
        ]
    )
    assert sorted(type(answer).__name__ for answer in answers) == ["Conflict", "list"]
    assert TestResult.objects.count() == 1


def test_of_two_plans_for_one_hour_one_is_made_and_the_other_explained(
    branch: Branch, engineer: User, scheduler: User
) -> None:
    sites = [site_of(branch), site_of(branch)]
    chosen, start = engineer_of(engineer), at(next_monday(), 9)
    answers = together(
        *[
            lambda site=site: plan_visit(
                site, engineer=chosen, start=start, end=start + timedelta(hours=1), kind="site", requirements=[],
                by=scheduler,
            )
            for site in sites
        ]
    )
    refusal = next(answer for answer in answers if isinstance(answer, Conflict))
    made = Visit.objects.get()
    assert refusal.message.startswith(f"{engineer.name} is already at {made.site.reference}")
