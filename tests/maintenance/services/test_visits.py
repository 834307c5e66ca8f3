"""Planning, moving and aborting visits; the overlap is refused by the database itself."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from config.accounts.rights import Role
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict, InvalidInput
from installs.models import Site, SiteAssignment
from maintenance.models import Visit
from maintenance.services.visits import cancel_visit, move_visit, plan_visit

pytestmark = pytest.mark.django_db


def next_monday() -> date:
    today = timezone.localdate()
    return today + timedelta(days=7 - today.weekday())


def at(hour: int, minute: int = 0, *, day: date | None = None) -> datetime:
    return timezone.make_aware(datetime.combine(day or next_monday(), time(hour, minute)))


@pytest.fixture
def firm() -> dict[str, Any]:
    make.FirmFactory()
    branch = make.BranchFactory()
    scheduler = make.UserFactory(role=Role.SCHEDULER, branch=branch)
    engineer = make.EngineerFactory(user__branch=branch, user__name="Anna Field")
    site = make.SiteFactory(branch=branch, reference="GL-0012", name="Glass works")
    return {"branch": branch, "scheduler": scheduler, "engineer": engineer, "site": site}


def plan(firm: dict[str, Any], **changes: Any) -> Visit:
    given: dict[str, Any] = {
        "engineer": firm["engineer"], "start": at(9), "end": at(10), "kind": "site", "requirements": [],
        "by": firm["scheduler"],
    }
    return plan_visit(changes.pop("site", firm["site"]), **given | changes)


def test_a_planned_visit_has_its_tasks_time_and_maker(firm: dict[str, Any]) -> None:
    requirement = make.RequirementFactory(site=firm["site"])
    visit = plan(firm, requirements=[requirement.pk], note=" key at the desk ")
    visit.refresh_from_db()
    assert [task.requirement_id for task in visit.tasks.all()] == [requirement.pk]
    assert (visit.period.lower, visit.period.upper) == (at(9), at(10))
    assert (visit.state, visit.made_by, visit.version) == ("planned", firm["scheduler"], 1)
    assert visit.note == "key at the desk"


def test_an_overlap_is_refused_and_names_the_other_visit(firm: dict[str, Any]) -> None:
    plan(firm)
    other = make.SiteFactory(branch=firm["branch"])
    with pytest.raises(Conflict) as refused:
        plan(firm, site=other, start=at(9, 30), end=at(11))
    day = f"{next_monday():%-d %b %Y}"
    assert refused.value.message == f"Anna Field is already at GL-0012 (Glass works) on {day} from 09:00 to 10:00."
    assert refused.value.field == "start"
    assert Visit.objects.count() == 1


def test_visits_that_touch_do_not_overlap(firm: dict[str, Any]) -> None:
    plan(firm)
    assert plan(firm, start=at(10), end=at(11)).pk is not None


def test_the_database_itself_refuses_an_overlap(firm: dict[str, Any]) -> None:
    visit = plan(firm)
    refused = pytest.raises(IntegrityError, match="maintenance_visit_no_overlap")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO maintenance_visit (site_id, kind, state, engineer_id, period, note, made_at, version) "
            "SELECT site_id, kind, state, engineer_id, tstzrange(%s, %s), '', now(), 1 "
            "FROM maintenance_visit WHERE id = %s",
            [at(9, 59), at(12), visit.pk],
        )
    assert Visit.objects.count() == 1


def test_an_aborted_visit_leaves_the_time_free(firm: dict[str, Any]) -> None:
    cancel_visit(plan(firm), version=1, reason="customer away", by=firm["scheduler"])
    assert plan(firm).state == "planned"


def test_an_absence_is_refused_with_its_reason(firm: dict[str, Any]) -> None:
    day = next_monday()
    make.AbsenceFactory(engineer=firm["engineer"], days=(day, day + timedelta(days=1)), reason="Training")
    with pytest.raises(Conflict) as refused:
        plan(firm)
    assert refused.value.message == f"Anna Field takes no visits on {day:%-d %b %Y}: Training."
    after = day + timedelta(days=1)
    assert plan(firm, start=at(9, day=after), end=at(10, day=after)).pk is not None


@pytest.mark.parametrize(
    ("start", "end", "field"),
    [
        (time(7, 59), time(9), "start"),
        (time(16), time(17, 1), "start"),
        (time(10), time(10), "end"),
        (time(11), time(10), "end"),
    ],
)
def test_times_outside_working_hours_or_reversed_are_refused(
    firm: dict[str, Any], start: time, end: time, field: str
) -> None:
    with pytest.raises(InvalidInput) as refused:
        plan(firm, start=at(start.hour, start.minute), end=at(end.hour, end.minute))
    assert refused.value.field == field


def test_a_day_off_of_the_week_and_a_past_day_are_refused(firm: dict[str, Any]) -> None:
    sunday = next_monday() - timedelta(days=1)
    with pytest.raises(InvalidInput, match="does not work on a Sunday") as refused:
        plan(firm, start=at(9, day=sunday), end=at(10, day=sunday))
    assert refused.value.remedy == "Working days are: Monday, Tuesday, Wednesday, Thursday, Friday."
    past = next_monday() - timedelta(days=14)
    with pytest.raises(InvalidInput, match="is past"):
        plan(firm, start=at(9, day=past), end=at(10, day=past))


def test_only_open_requirements_of_the_site_that_are_on_no_other_visit_can_be_planned(firm: dict[str, Any]) -> None:
    elsewhere = make.RequirementFactory()
    with pytest.raises(InvalidInput, match="Not open at GL-0012"):
        plan(firm, requirements=[elsewhere.pk])
    closed = make.RequirementFactory(site=firm["site"], active=False)
    with pytest.raises(InvalidInput, match="Not open at GL-0012"):
        plan(firm, requirements=[closed.pk])
    rule = make.RegimeRuleFactory(test="walk test", subject="site")
    due = make.RequirementFactory(site=firm["site"], rule=rule)
    plan(firm, requirements=[due.pk])
    with pytest.raises(Conflict, match="already on the visit of"):
        plan(firm, start=at(11), end=at(12), requirements=[due.pk])


def test_a_remote_visit_takes_only_what_can_be_done_remotely(firm: dict[str, Any]) -> None:
    walk = make.RequirementFactory(site=firm["site"], rule=make.RegimeRuleFactory(test="walk test"))
    remote = make.RequirementFactory(site=firm["site"], rule=make.RegimeRuleFactory(test="remote check"))
    with pytest.raises(InvalidInput, match="cannot be done remotely"):
        plan(firm, kind="remote", requirements=[walk.pk, remote.pk])
    assert plan(firm, kind="remote", requirements=[remote.pk]).kind == "remote"


def test_an_engineer_of_another_branch_is_refused(firm: dict[str, Any]) -> None:
    with pytest.raises(InvalidInput, match="belongs to another branch"):
        plan(firm, engineer=make.EngineerFactory())


def test_a_move_from_a_stale_state_is_refused_and_changes_nothing(firm: dict[str, Any]) -> None:
    visit = plan(firm)
    move_visit(visit, version=1, start=at(13), end=at(14), by=firm["scheduler"])
    with pytest.raises(ChangedMeanwhile):
        move_visit(visit, version=1, start=at(15), end=at(16), by=firm["scheduler"])
    visit.refresh_from_db()
    assert (visit.period.lower, visit.version) == (at(13), 2)


def test_a_move_onto_another_visit_is_refused(firm: dict[str, Any]) -> None:
    plan(firm)
    visit = plan(firm, start=at(13), end=at(14))
    with pytest.raises(Conflict, match="is already at GL-0012"):
        move_visit(visit, version=1, start=at(9), end=at(10), by=firm["scheduler"])
    visit.refresh_from_db()
    assert (visit.period.lower, visit.version) == (at(13), 1)


def test_site_access_follows_the_visit(firm: dict[str, Any]) -> None:
    anna = firm["engineer"].user
    other = make.EngineerFactory(user__branch=firm["branch"])
    assert not Site.objects.visible_to(anna).exists()
    visit = plan(firm)
    assert list(Site.objects.visible_to(anna)) == [firm["site"]]
    visit = move_visit(visit, version=1, start=at(9), end=at(10), engineer=other, by=firm["scheduler"])
    assert not Site.objects.visible_to(anna).exists()
    assert list(Site.objects.visible_to(other.user)) == [firm["site"]]
    cancel_visit(visit, version=2, reason="customer away", by=firm["scheduler"])
    assert not Site.objects.visible_to(other.user).exists()
    assert SiteAssignment.objects.count() == 0


def test_a_visit_is_not_aborted_without_a_reason_or_twice(firm: dict[str, Any]) -> None:
    visit = plan(firm, note="Bring a ladder.")
    with pytest.raises(InvalidInput, match="without a reason"):
        cancel_visit(visit, version=1, reason="  ", by=firm["scheduler"])
    aborted = cancel_visit(visit, version=1, reason="customer away", by=firm["scheduler"])
    assert (aborted.state, aborted.note) == ("aborted", "Bring a ladder. Aborted: customer away")
    with pytest.raises(Conflict, match="is aborted and cannot be aborted"):
        cancel_visit(visit, version=2, reason="again", by=firm["scheduler"])
