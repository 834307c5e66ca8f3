"""Digests: who reads what, once, and what never goes by mail."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, timedelta
from smtplib import SMTPServerDisconnected

import psycopg
import pytest
from django.core import mail
from django.db import close_old_connections, connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, User
from config.accounts.rights import Role
from config.demo.factories import (
    DeviceFactory,
    DigestFactory,
    EngineerFactory,
    FlagFactory,
    ItemFactory,
    LocationFactory,
    RequirementFactory,
    ShortageFactory,
    SiteFactory,
    StockLevelFactory,
    SwapProposalFactory,
    UserFactory,
    VisitFactory,
    receive,
)
from maintenance.models import Digest
from maintenance.services.digests import message_id, send_digests, write_digests

DAY = date(2026, 11, 25)


def body(user: User) -> str:
    return Digest.objects.get(user=user, business_date=DAY).body


def at(day: date, hour: int, minute: int = 0) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=timezone.get_default_timezone())


@pytest.mark.django_db
def test_a_scheduler_reads_the_counts_of_the_branch(scheduler: User, stranger: User, service_manager: User) -> None:
    here = SiteFactory.create(branch=scheduler.branch)
    for test, state, since in (
        ("walk test", "overdue", DAY),
        ("loop", "overdue", date(2026, 11, 1)),
        ("battery", "escalated", date(2026, 9, 1)),
        ("site visit", "due", DAY),
    ):
        FlagFactory.create(
            requirement=RequirementFactory.create(site=here, rule__test=test), state=state, since=since
        )
    FlagFactory.create(requirement__site__branch=stranger.branch, since=DAY)
    FlagFactory.create(requirement__site__branch=stranger.branch, withdrawn_at=timezone.now())
    assert write_digests(business_date=DAY) == {"written": 3}
    assert body(scheduler) == (
        f"{scheduler.name},\n\nVisits and tests\nFailed test: 0\nEscalated: 1\nOverdue: 2\nDue: 1\nDue soon: 0\n"
        "Late or escalated since today: 1\nLoops drifting out of their band: 0\n\n"
        "Open Zonewright for the sites and the details."
    )
    assert "Overdue: 1\n" in body(stranger)
    assert "Overdue: 3\n" in body(service_manager)


@pytest.mark.django_db
def test_a_stores_manager_reads_shortages_and_what_is_below_minimum(stores: User, stranger: User) -> None:
    item = ItemFactory.create(sku="BRD-1", name="Board")
    store = LocationFactory.create(branch=stores.branch, name="Main store")
    ShortageFactory.create(branch=stores.branch, item=item)
    ShortageFactory.create(branch=stranger.branch, item=item)
    receive(item, store, 4)
    StockLevelFactory.create(item=item, location=store, minimum=5)
    StockLevelFactory.create(item=ItemFactory.create(sku="BRD-2", name="Never held"), location=store, minimum=1)
    receive(enough := ItemFactory.create(), store, 5)
    StockLevelFactory.create(item=enough, location=store, minimum=5)
    write_digests(business_date=DAY)
    assert body(stores).split("\n")[2:-2] == [
        "Short for the work ahead: 1",
        "- BRD-1 Board: 2 pc short from 1 Dec 2026 (needed 3, on hand 1, on order 0)",
        "",
        "Below minimum: 2",
        "- BRD-1 Board at Main store: 4 pc, minimum 5",
        "- BRD-2 Never held at Main store: 0 pc, minimum 1",
    ]


@pytest.mark.django_db
def test_an_engineer_reads_the_visits_of_today_and_tomorrow(engineer: User) -> None:
    me = EngineerFactory.create(user=engineer)
    site = SiteFactory.create(branch=engineer.branch, reference="S1", name="Quay House")
    for day, hour, state in (
        (0, 14, "planned"), (0, 9, "confirmed"), (1, 8, "planned"), (2, 8, "planned"), (0, 11, "aborted"),
    ):
        begin = at(DAY + timedelta(days=day), hour)
        VisitFactory.create(engineer=me, site=site, state=state, period=(begin, begin + timedelta(minutes=90)))
    VisitFactory.create(site=site, period=(at(DAY, 9), at(DAY, 10)))  # somebody else's
    write_digests(business_date=DAY)
    assert body(engineer).split("\n")[2:-2] == [
        "Today, 25 Nov 2026",
        "- 09:00 to 10:30 S1 Quay House (site visit)",
        "- 14:00 to 15:30 S1 Quay House (site visit)",
        "Tomorrow, 26 Nov 2026",
        "- 08:00 to 09:30 S1 Quay House (site visit)",
    ]


@pytest.mark.django_db
def test_no_digest_tells_how_to_get_in_or_where_a_site_is_blind(
    engineer: User, scheduler: User, stores: User, service_manager: User, administrator: User
) -> None:
    site = SiteFactory.create(branch=engineer.branch, access_notes="Key safe 4711", cautions="Dog", street="2 Quay")
    device = DeviceFactory.create(system__site=site, position="Vault door")
    FlagFactory.create(
        requirement=RequirementFactory.create(site=site, device=device, rule__subject="device"),
        fault=True, state="failed",
    )
    SwapProposalFactory.create(device=device)
    me = EngineerFactory.create(user=engineer)
    VisitFactory.create(engineer=me, site=site, period=(at(DAY, 9), at(DAY, 10)))
    assert write_digests(business_date=DAY)["written"] >= 5
    bodies = "\n".join(Digest.objects.values_list("body", flat=True))
    assert site.name in bodies
    assert [secret for secret in ("4711", "Dog", "2 Quay", "Vault", device.variant.code, device.mark + " ")
            if secret in bodies] == []
    for digest in Digest.objects.exclude(user=engineer):
        assert site.name not in digest.body
        assert site.reference not in digest.body


@pytest.mark.django_db
def test_digests_are_written_once_and_not_for_those_who_left(scheduler: User, stores: User) -> None:
    stores.is_active = False
    stores.save()
    assert write_digests(business_date=DAY) == {"written": 1}
    FlagFactory.create(requirement__site__branch=scheduler.branch)
    before = body(scheduler)
    assert write_digests(business_date=DAY) == {"written": 0}
    assert (Digest.objects.count(), body(scheduler)) == (1, before)


@pytest.mark.django_db
def test_each_is_sent_once_with_a_message_id_of_its_own(scheduler: User, stores: User) -> None:
    write_digests(business_date=DAY)
    DigestFactory.create(user=stores, business_date=date(2026, 11, 24))  # yesterday's news stays unsent
    assert send_digests(business_date=DAY) == {"sent": 2, "not sent": 0}
    assert send_digests(business_date=DAY) == {"sent": 0, "not sent": 0}
    found = sorted((message.to, message.subject, message.extra_headers["Message-ID"]) for message in mail.outbox)
    assert found == sorted(
        ([digest.user.email], "Zonewright: 25 Nov 2026", f"<digest-20261125-{digest.user_id}@localhost>")
        for digest in Digest.objects.filter(business_date=DAY)
    )
    assert message_id(Digest.objects.earliest("id")) in mail.outbox[0].message().as_string()


@pytest.mark.django_db
def test_what_the_mail_server_refuses_is_sent_by_the_next_run(
    scheduler: User, stores: User, settings: object
) -> None:
    write_digests(business_date=DAY)
    settings.EMAIL_BACKEND = "tests.maintenance.services.test_digests.RefusesSchedulers"
    assert send_digests(business_date=DAY) == {"sent": 1, "not sent": 1}
    assert list(Digest.objects.filter(sent_at=None).values_list("user", flat=True)) == [scheduler.pk]
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert send_digests(business_date=DAY) == {"sent": 1, "not sent": 0}
    assert [message.to for message in mail.outbox] == [[scheduler.email]]


class RefusesSchedulers:
    """A mail server that hangs up on mail for schedulers."""

    def __init__(self, **_: object) -> None: ...

    def send_messages(self, messages: list[mail.EmailMessage]) -> int:
        if messages[0].to[0].startswith("scheduler"):
            raise SMTPServerDisconnected("gone")
        return 1


@pytest.mark.django_db(transaction=True)
def test_two_senders_at_once_send_each_digest_once(branch: Branch) -> None:
    for _ in range(12):
        DigestFactory.create(user=UserFactory.create(role=Role.STORES, branch=branch), business_date=DAY)

    def send(_: int) -> dict[str, int]:
        try:
            return send_digests(business_date=DAY)
        finally:
            close_old_connections()
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        counts = list(pool.map(send, range(4)))
    assert sum(count["sent"] for count in counts) == 12
    assert len({tuple(message.to) for message in mail.outbox}) == len(mail.outbox) == 12


@pytest.mark.django_db(transaction=True)
def test_a_digest_that_another_sender_holds_is_left_to_it(branch: Branch) -> None:
    held, free = (
        DigestFactory.create(user=UserFactory.create(role=Role.STORES, branch=branch), business_date=DAY)
        for _ in range(2)
    )
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as other:
        other.execute("SELECT FROM maintenance_digest WHERE id = %s FOR UPDATE", [held.pk])
        assert send_digests(business_date=DAY) == {"sent": 1, "not sent": 0}
    assert [message.to for message in mail.outbox] == [[free.user.email]]


@pytest.mark.django_db
@pytest.mark.parametrize("people", [1, 15])
def test_writing_takes_eight_statements_however_many_people(branch: Branch, people: int) -> None:
    for _ in range(people):
        UserFactory.create(role=Role.SCHEDULER, branch=branch)
        FlagFactory.create(requirement__site__branch=branch)
        ShortageFactory.create(branch=branch)
        StockLevelFactory.create(location__branch=branch)
        begin = at(DAY, 9)
        VisitFactory.create(site__branch=branch, period=(begin, begin + timedelta(hours=1)))
    with CaptureQueriesContext(connection) as queries:
        write_digests(business_date=DAY)
    assert len([q for q in queries if "SAVEPOINT" not in q["sql"]]) == 8
