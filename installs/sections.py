"""What other apps add to a site sheet without this app knowing them.

Next visit, open flags and last tests belong to maintenance, which stands on this app. It registers a
section at start (`AppConfig.ready`), and the sheet merges what every section answers:

    from installs.sections import register_section
    register_section(sheet_extras)          # sheet_extras(user, site_id) -> SheetExtras

A section runs in a fixed number of statements, whatever the size of the site, and leaves out what the
person may not see. `register_section` names that number, so that the sheet's own count stays testable.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from config.accounts.models import User


@dataclass(frozen=True)
class NextVisit:
    """The next visit to the site that the person may know of."""

    visit_id: int
    kind: str  # in words: 'Site visit'
    starts_at: datetime
    ends_at: datetime
    engineer: str
    address: str = ""  # of its page; empty where there is none


@dataclass(frozen=True)
class OpenFlag:
    """One overdue or fault mark that holds now."""

    words: str  # 'Loop resistance overdue'
    since: date
    tone: str = "warn"  # 'info', 'warn' or 'bad': colour only, the words say it all
    source: str = ""  # why it is owed: 'Regime name: EN 50131-7 ...'
    address: str = ""


@dataclass(frozen=True)
class LastTest:
    """The latest result of one requirement of the subject."""

    test: str  # 'Walk test'
    done_on: date
    outcome: str  # in words: 'Passed', 'Failed', 'Not done'
    passed: bool
    measured_ohm: float | None = None
    note: str = ""


@dataclass(frozen=True)
class SubjectExtras:
    """Flags and last tests of one subject (the site, a panel, a circuit or a device)."""

    flags: tuple[OpenFlag, ...] = ()
    tests: tuple[LastTest, ...] = ()

    def __add__(self, other: SubjectExtras) -> SubjectExtras:
        return SubjectExtras(self.flags + other.flags, self.tests + other.tests)


NOTHING = SubjectExtras()


@dataclass(frozen=True)
class SheetExtras:
    """Everything one section adds to the sheet of a site; mappings are by primary key of the subject."""

    next_visit: NextVisit | None = None
    site: SubjectExtras = NOTHING
    panels: Mapping[int, SubjectExtras] = field(default_factory=dict)
    circuits: Mapping[int, SubjectExtras] = field(default_factory=dict)
    devices: Mapping[int, SubjectExtras] = field(default_factory=dict)


SheetSection = Callable[["User", int], SheetExtras]

SHEET_SECTIONS: list[tuple[SheetSection, int]] = []


def register_section(section: SheetSection, *, statements: int) -> None:
    """Add a section to every site sheet. `statements` is the number of SQL statements it runs."""
    if section not in [known for known, _ in SHEET_SECTIONS]:
        SHEET_SECTIONS.append((section, statements))


def section_statements() -> int:
    """SQL statements that all registered sections run together."""
    return sum(statements for _, statements in SHEET_SECTIONS)


def gather(user: User, site_id: int) -> SheetExtras:
    """What every section adds, merged; the earliest next visit wins."""
    extras = [section(user, site_id) for section, _ in SHEET_SECTIONS]
    visits = sorted((e.next_visit for e in extras if e.next_visit is not None), key=lambda v: v.starts_at)
    return SheetExtras(
        next_visit=visits[0] if visits else None,
        site=sum((e.site for e in extras), NOTHING),
        panels=_merge([e.panels for e in extras]),
        circuits=_merge([e.circuits for e in extras]),
        devices=_merge([e.devices for e in extras]),
    )


def _merge(parts: list[Mapping[int, SubjectExtras]]) -> dict[int, SubjectExtras]:
    merged: dict[int, SubjectExtras] = {}
    for part in parts:
        for key, value in part.items():
            merged[key] = merged.get(key, NOTHING) + value
    return merged
