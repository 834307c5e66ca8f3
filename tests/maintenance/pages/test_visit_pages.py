"""Lists of visits, planning, moving and recording on the pages."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from maintenance.models import TestResult, Visit
from tests.conftest import logged_in
from tests.maintenance.door_scene import at, engineer_of, flag_of, loop_test, next_monday, site_of, visit_of

VISITS = "/work/visits/"


def form(site_id: int, engineer: User, **changes: Any) -> tuple[str, dict[str, Any]]:
    given = {
        "day": f"{next_monday():%Y-%m-%d}", "starts": "09:00", "ends": "10:00", "kind": "site",
        "engineer": engineer_of(engineer).pk, "note": "",
    }
    return f"/work/visits/plan/?site={site_id}", given | changes


def test_an_engineer_sees_own_visits_of_today_first_with_the_site_sheet(branch: Branch, engineer: User) -> None:
    today = visit_of(branch, engineer)
    later = visit_of(branch, engineer, day=timezone.localdate() + timedelta(days=3))
    other = visit_of(branch, make.UserFactory(role="engineer", branch=branch))
    answer = logged_in(engineer).get(VISITS)
    assert [row.pk for row in answer.context["own_today"]] == [today.pk]
    assert [row.pk for row in answer.context["own_week"]] == [later.pk]
    assert [row.pk for row in answer.context["page"].rows] == [today.pk, later.pk]
    text = answer.content.decode()
    assert f"/sites/{today.site_id}/" in text
    assert other.site.reference not in text


def test_an_engineer_cannot_open_or_record_anothers_visit(branch: Branch, engineer: User) -> None:
    own = visit_of(branch, engineer)
    other = visit_of(branch, make.UserFactory(role="engineer", branch=branch))
    client = logged_in(engineer)
    assert client.get(f"/work/visits/{own.pk}/").status_code == 200
    assert client.get(f"/work/visits/{other.pk}/").status_code == 404
    assert client.post(f"/work/visits/{other.pk}/record/", {}).status_code == 404


def test_the_scheduler_sees_and_filters_the_branchs_visits(
    branch: Branch, scheduler: User, engineer: User, stranger: User
) -> None:
    first = visit_of(branch, engineer)
    second = visit_of(branch, engineer, day=timezone.localdate() + timedelta(days=1))
    visit_of(branch, engineer, day=timezone.localdate() - timedelta(days=9))
    client = logged_in(scheduler)

    def listed(query: str = "") -> list[int]:
        return [row.pk for row in client.get(VISITS + query).context["page"].rows]

    assert listed() == [first.pk, second.pk]
    assert listed(f"?day={timezone.localdate() + timedelta(days=1)}") == [second.pk]
    assert listed("?state=done") == []
    assert listed(f"?engineer={engineer_of(engineer).pk}&kind=site") == [first.pk, second.pk]
    assert logged_in(stranger).get(VISITS).context["page"].rows == []


@pytest.mark.parametrize("rows", [1, 3])
def test_the_list_takes_as_many_statements_for_three_as_for_one(
    branch: Branch, scheduler: User, engineer: User, django_assert_num_queries, rows: int
) -> None:
    for number in range(rows):
        visit_of(branch, engineer, hour=9 + number)
    client = logged_in(scheduler)
    client.get(VISITS)
    # session, user, the person's branch, engineers to choose from, list, absences
    with django_assert_num_queries(6):
        assert len(client.get(VISITS).context["page"].rows) == rows


@pytest.mark.parametrize("rows", [1, 3])
def test_a_visits_page_takes_as_many_statements_for_three_tasks_as_for_one(
    branch: Branch, engineer: User, django_assert_num_queries, rows: int
) -> None:
    visit = visit_of(branch, engineer)
    for _ in range(rows - 1):
        make.VisitTaskFactory(visit=visit, requirement=loop_test(visit.site))
    client = logged_in(engineer)
    client.get(f"/work/visits/{visit.pk}/")
    # session, user, the person's branch, visit, tasks, results, recalls
    with django_assert_num_queries(7):
        assert len(client.get(f"/work/visits/{visit.pk}/").context["detail"].tasks) == rows


def test_the_planning_page_ticks_what_is_late_and_on_no_other_visit(
    branch: Branch, scheduler: User, engineer: User
) -> None:
    flag = flag_of(branch)
    taken = visit_of(branch, engineer, site=flag.site).tasks.get().requirement
    later = make.RequirementFactory(
        site=flag.site, rule=make.RegimeRuleFactory(test="battery"), due_month=next_monday().replace(year=2099, day=1)
    )
    answer = logged_in(scheduler).get(f"/work/visits/plan/?site={flag.site_id}")
    assert answer.context["ticked"] == [flag.requirement_id]
    assert {row.pk for row in answer.context["choices"].requirements} == {flag.requirement_id, taken.pk, later.pk}
    assert "already on the visit of" in answer.content.decode()


@pytest.mark.parametrize("rows", [1, 3])
def test_the_planning_page_takes_as_many_statements_for_three_requirements_as_for_one(
    branch: Branch, scheduler: User, django_assert_num_queries, rows: int
) -> None:
    site = site_of(branch)
    for _ in range(rows):
        make.FlagFactory(requirement=loop_test(site))
    client = logged_in(scheduler)
    client.get(f"/work/visits/plan/?site={site.pk}")
    # session, user, the person's branch, site, engineers, requirements, their flags and tasks, absences
    with django_assert_num_queries(9):
        answer = client.get(f"/work/visits/plan/?site={site.pk}")
    assert len(answer.context["choices"].requirements) == rows


def test_a_visit_is_planned_from_the_page(branch: Branch, scheduler: User, engineer: User) -> None:
    flag = flag_of(branch)
    address, given = form(flag.site_id, engineer, requirements=[flag.requirement_id], note="ring first")
    answer = logged_in(scheduler).post(address, given)
    visit = Visit.objects.get()
    assert answer.headers["Location"] == f"/work/visits/{visit.pk}/"
    assert (visit.period.lower, visit.period.upper) == (at(next_monday(), 9), at(next_monday(), 10))
    assert [task.requirement_id for task in visit.tasks.all()] == [flag.requirement_id]
    assert (visit.note, visit.made_by) == ("ring first", scheduler)


def test_an_overlap_is_explained_on_the_page_and_the_form_keeps_what_was_written(
    branch: Branch, scheduler: User, engineer: User
) -> None:
    other = visit_of(branch, engineer, day=next_monday())
    address, given = form(site_of(branch).pk, engineer, starts="09:30", ends="11:00", note="bring the long ladder")
    answer = logged_in(scheduler).post(address, given)
    text = answer.content.decode()
    assert answer.status_code == 409
    assert (
        f"{engineer.name} is already at {other.site.reference} ({other.site.name}) on "
        f"{next_monday():%-d %b %Y} from 09:00 to 10:00." in text
    )
    assert "Choose another time or another engineer" in text
    assert "bring the long ladder" in text
    assert Visit.objects.count() == 1


def test_an_absence_and_an_impossible_time_are_explained_on_the_page(
    branch: Branch, scheduler: User, engineer: User
) -> None:
    day = next_monday()
    make.AbsenceFactory(engineer=engineer_of(engineer), days=(day, day + timedelta(days=1)), reason="Leave")
    client, site = logged_in(scheduler), site_of(branch)
    address, given = form(site.pk, engineer)
    assert f"takes no visits on {day:%-d %b %Y}: Leave." in client.post(address, given).content.decode()
    address, given = form(site.pk, engineer, starts="06:00")
    answer = client.post(address, given)
    assert answer.status_code == 400
    assert "Stay between 08:00 and 17:00." in answer.content.decode()
    address, given = form(site.pk, engineer, starts="soon")
    assert client.post(address, given).status_code == 400
    assert Visit.objects.count() == 0


def test_a_site_of_another_branch_cannot_be_planned(branch: Branch, stranger: User, scheduler: User) -> None:
    site = site_of(branch)
    assert logged_in(scheduler).get(f"/work/visits/plan/?site={site.pk}").status_code == 200
    assert logged_in(stranger).get(f"/work/visits/plan/?site={site.pk}").status_code == 404


def test_a_stale_move_is_refused_on_the_page(branch: Branch, scheduler: User, engineer: User) -> None:
    visit = visit_of(branch, engineer, day=next_monday())
    _, given = form(visit.site_id, engineer, starts="13:00", ends="14:00", version=1, do="move")
    client = logged_in(scheduler)
    assert client.post(f"/work/visits/{visit.pk}/move/", given).status_code == 302
    answer = client.post(f"/work/visits/{visit.pk}/move/", given | {"starts": "15:00", "ends": "16:00"})
    assert answer.status_code == 412
    assert "was changed by somebody else" in answer.content.decode()
    visit.refresh_from_db()
    assert visit.period.lower == at(next_monday(), 13)


def test_aborting_a_visit_closes_the_site_to_its_engineer(branch: Branch, scheduler: User, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = logged_in(engineer)
    assert client.get(f"/work/visits/{visit.pk}/").context["detail"].site_open is True
    answer = logged_in(scheduler).post(
        f"/work/visits/{visit.pk}/move/", {"do": "cancel", "version": 1, "reason": "flooded road"}
    )
    assert answer.status_code == 302
    shown = client.get(f"/work/visits/{visit.pk}/")
    assert shown.context["detail"].site_open is False
    assert "Aborted: flooded road" in shown.content.decode()


def results(visit: Visit, token: str = "t1", **changes: str) -> dict[str, str]:
    name = f"task-{visit.tasks.get().requirement_id}"
    given = {
        "done_on": f"{timezone.localdate():%Y-%m-%d}", "token": token,
        f"{name}-outcome": "passed", f"{name}-measured": "4k7", f"{name}-note": "",
    }
    return given | {f"{name}-{key}": value for key, value in changes.items()}


def test_results_are_recorded_from_the_page_once(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = logged_in(engineer)
    for _ in range(2):
        answer = client.post(f"/work/visits/{visit.pk}/record/", results(visit))
        assert answer.headers["Location"] == f"/work/visits/{visit.pk}/"
    result = TestResult.objects.get()
    assert (result.outcome, result.measured_ohm, result.recorded_by) == ("passed", 4700.0, engineer)
    text = client.get(f"/work/visits/{visit.pk}/").content.decode()
    assert "4.7 kΩ" in text
    assert "Record and close" not in text


def test_nothing_is_chosen_beforehand_and_mistakes_are_named(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = logged_in(engineer)
    assert "checked" not in client.get(f"/work/visits/{visit.pk}/").content.decode()
    answer = client.post(f"/work/visits/{visit.pk}/record/", results(visit, measured="four"))
    assert answer.status_code == 400
    assert "&#x27;four&#x27; is not a resistor value. Write it as 2k2, 2.2k, 2200 or R47." in answer.content.decode()
    answer = client.post(f"/work/visits/{visit.pk}/record/", results(visit, outcome="failed", measured=""))
    assert answer.status_code == 400
    assert "Say in a few words what was found." in answer.content.decode()
    assert TestResult.objects.count() == 0


def test_the_scheduler_may_look_but_not_record(branch: Branch, scheduler: User, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = logged_in(scheduler)
    assert "Record results" not in client.get(f"/work/visits/{visit.pk}/").content.decode()
    assert client.post(f"/work/visits/{visit.pk}/record/", results(visit)).status_code == 403
    assert TestResult.objects.count() == 0
