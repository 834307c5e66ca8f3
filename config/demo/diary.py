"""Three years of visits and the weeks ahead: which were made, when and by whom, without overlaps."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from random import Random

from config.accounts.models import User
from config.demo.firm import Crew, People, local
from config.demo.sites import HISTORY_YEARS, Plan
from installs.models import Site
from maintenance.models import RegimeRule, Visit

# Start (hour, minute) and minutes of the slots of a day; site visits by day, remote checks before going home.
SITE_SLOTS = ((8, 30, 90), (10, 15, 90), (12, 30, 90), (14, 15, 90))
REMOTE_SLOTS = ((16, 0, 20), (16, 20, 20), (16, 40, 20))
WEEKS_AHEAD = 4


def month_number(day: date) -> int:
    """Running number of a day's month: year times 12, plus month less one."""
    return day.year * 12 + day.month - 1


def first_of(number: int) -> date:
    return date(number // 12, number % 12 + 1, 1)


@dataclass
class Stop:
    """A visit to be: `number` is its due month, None for a fault call."""

    site: Site
    kind: str
    number: int | None
    day: date
    crew: Crew
    starts: datetime
    minutes: int
    done: bool
    note: str = ""

    def visit(self, made_by: User) -> Visit:
        """The record: done, or planned and perhaps confirmed with the customer."""
        made = min(self.starts, self.starts.replace(hour=9, minute=0)) - timedelta(days=18)
        planned = Visit.State.CONFIRMED if self.minutes > 30 and self.starts.day % 3 == 0 else Visit.State.PLANNED
        return Visit(
            site=self.site,
            kind=self.kind,
            state=Visit.State.DONE if self.done else planned,
            engineer=self.crew.engineer,
            period=(self.starts, self.starts + timedelta(minutes=self.minutes)),
            note=self.note,
            made_by=made_by,
            made_at=made,
            version=2 if self.done else 1,
        )


@dataclass
class Diary:
    """Who is where. Every visit gets a slot of its own, so no engineer is in two places at once."""

    people: People
    crews: Sequence[Crew]
    random: Random
    today: date
    taken: set[tuple[int, date, int, int]] = field(default_factory=set)
    stops: list[Stop] = field(default_factory=list)
    waiting: list[tuple[Site, str, int]] = field(default_factory=list)

    def fill(self, plans: Sequence[Plan], sites: Sequence[Site]) -> None:
        """Visits of all sites from the start of the history to the weeks ahead."""
        for plan, site in zip(plans, sites, strict=True):
            self._site(plan, site)
        self._near_days(sites)

    def _site(self, plan: Plan, site: Site) -> None:
        random, this_month = self.random, month_number(self.today)
        start = month_number(plan.in_use_since)
        due = [
            (number, kind)
            for number in range(max(start + 1, this_month - 12 * HISTORY_YEARS), this_month + 2)
            if (kind := self._kind(plan, number - start))
        ]
        skipped = self._skipped(plan, due, this_month) if plan.lapsed else None
        for number, kind in due:
            if number == skipped:
                self.waiting.append((site, kind, number))
                continue
            month = number
            if number < this_month and random.random() < 0.15:
                month += random.choice((-1, 1))
            length = (first_of(month + 1) - first_of(month)).days
            day = first_of(month) + timedelta(days=random.randrange(length))
            if number < this_month and day >= self.today:
                day = first_of(number) + timedelta(days=random.randrange(20))
            if number < this_month or day < self.today:
                if day > plan.in_use_since:
                    self._book(site, plan.branch, kind, number, day)
            else:
                self.waiting.append((site, kind, number))
        # What waits is planned for one of the coming weeks, or left to the scheduler.
        while self.waiting and self.waiting[-1][0] is site and random.random() < 0.45:
            site_, kind, number = self.waiting.pop()
            ahead = self.today + timedelta(days=random.randint(2, 7 * WEEKS_AHEAD))
            self._book(site_, plan.branch, kind, number, ahead)

    def _kind(self, plan: Plan, months: int) -> str | None:
        """What is due that many months after the month of coming into use."""
        for rule in self.people.rules[plan.grade, plan.contract]:
            since = months - rule.first_after_months
            if since < 0 or since % rule.interval_months:
                continue
            if rule.test == RegimeRule.Test.SITE_VISIT:
                return Visit.Kind.SITE
            if rule.test == RegimeRule.Test.REMOTE_CHECK:
                return Visit.Kind.REMOTE
        return None

    def _skipped(self, plan: Plan, due: Sequence[tuple[int, str]], this_month: int) -> int | None:
        """The last site visit whose window has closed; later remote checks do not make up for it."""
        closed = [number for number, kind in due if number <= this_month - 2 and kind == Visit.Kind.SITE]
        if closed and closed[-1] < this_month - 7 and self.random.random() < 0.5:
            return None
        later = {number for number, kind in due if kind == Visit.Kind.SITE and closed and number > closed[-1]}
        return closed[-1] if closed and not any(number < this_month for number in later) else None

    def _book(self, site: Site, branch: str, kind: str, number: int | None, day: date, note: str = "") -> bool:
        """Take a free slot on that day or the next working ones. Work of the past stays in the past."""
        past = day < self.today
        crews = [crew for crew in self.crews if crew.branch == branch and (past or not crew.on_leave)]
        if past and any(crew.on_leave for crew in crews):
            crews = [*crews, *[crew for crew in crews if not crew.on_leave]]
        slots = SITE_SLOTS if kind == Visit.Kind.SITE else REMOTE_SLOTS
        for _ in range(40):
            if day.isoweekday() > 5:
                day += timedelta(days=-2 if past else 2)
            crew, slot = self.random.choice(crews), self.random.choice(slots)
            if self._free(crew, day, slot):
                self._take(site, kind, number, day, crew, slot, note)
                return True
            if self.random.random() < 0.4:
                day += timedelta(days=-1 if past else 1)
        return False

    def _free(self, crew: Crew, day: date, slot: tuple[int, int, int]) -> bool:
        return (crew.van.pk, day, slot[0], slot[1]) not in self.taken

    def _take(
        self, site: Site, kind: str, number: int | None, day: date, crew: Crew, slot: tuple[int, int, int], note: str
    ) -> None:
        self.taken.add((crew.van.pk, day, slot[0], slot[1]))
        self.stops.append(
            Stop(site, kind, number, day, crew, local(day, slot[0], slot[1]), slot[2], day < self.today, note)
        )

    def _near_days(self, sites: Sequence[Site]) -> None:
        """Every engineer who is not on leave has work today and tomorrow, so that a login shows some."""
        busy = {id(stop.site) for stop in self.stops if not stop.done}
        waiting: dict[int, list[tuple[Site, str, int]]] = defaultdict(list)
        for entry in self.waiting:
            if id(entry[0]) not in busy and entry[1] == Visit.Kind.SITE:
                waiting[entry[0].branch_id].append(entry)
        spare: dict[int, list[Site]] = defaultdict(list)
        for site in sites:
            if id(site) not in busy:
                spare[site.branch_id].append(site)
        for crew in self.crews:
            if crew.on_leave:
                continue
            branch = self.people.branches[crew.branch].pk
            for day in (self.today, self.today + timedelta(days=1)):
                for slot in SITE_SLOTS[:3]:
                    if not self._free(crew, day, slot):
                        continue
                    if waiting[branch]:
                        site, kind, number = waiting[branch].pop(0)
                        self._take(site, kind, number, day, crew, slot, "")
                        busy.add(id(site))
                    elif slot == SITE_SLOTS[0]:
                        free = [site for site in spare[branch] if id(site) not in busy]
                        if free:
                            busy.add(id(free[0]))
                            self._take(free[0], Visit.Kind.SITE, None, day, crew, slot, "Customer reports a fault")
