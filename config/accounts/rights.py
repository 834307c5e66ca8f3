"""Who may do what: the one table that pages, endpoints and tests read."""

from __future__ import annotations

from enum import StrEnum

from django.db import models


class Role(models.TextChoices):
    STORES = "stores", "Stores manager"
    SCHEDULER = "scheduler", "Service scheduler"
    ENGINEER = "engineer", "Engineer"
    SERVICE_MANAGER = "service", "Service manager"
    ADMINISTRATOR = "admin", "Administrator"


class Right(StrEnum):
    """One thing that a page or an endpoint lets a person do."""

    HOME = "home"
    SEE_CATALOGUE = "see catalogue"
    EDIT_CATALOGUE = "edit catalogue"
    SEE_STOCK = "see stock"
    MOVE_STOCK = "move stock"
    ORDER_STOCK = "order stock"
    APPROVE_ORDERS = "approve orders"
    VAN_STOCK = "van stock"
    RECALL_BATCHES = "recall batches"
    SEE_SITES = "see sites"
    EDIT_SITES = "edit sites"
    SEE_ACCESS_NOTES = "see access notes"
    SEE_READ_LOG = "see read log"
    SEE_VISITS = "see visits"
    PLAN_VISITS = "plan visits"
    RECORD_RESULTS = "record results"
    SEE_PROPOSALS = "see proposals"
    DECIDE_PROPOSALS = "decide proposals"
    EDIT_REGIMES = "edit regimes"
    SEE_JOBS = "see jobs"
    ADMINISTER = "administer"


_EVERYONE = {Right.HOME, Right.SEE_CATALOGUE}

RIGHTS: dict[Role, frozenset[Right]] = {
    Role.STORES: frozenset(
        _EVERYONE
        | {
            Right.SEE_STOCK,
            Right.MOVE_STOCK,
            Right.ORDER_STOCK,
            Right.VAN_STOCK,
            Right.EDIT_CATALOGUE,
            Right.SEE_PROPOSALS,
            Right.RECALL_BATCHES,
        }
    ),
    # The scheduler needs where and when, not how to get in: access notes stay with those who go.
    Role.SCHEDULER: frozenset(
        _EVERYONE
        | {
            Right.SEE_STOCK,
            Right.SEE_SITES,
            Right.EDIT_SITES,
            Right.SEE_VISITS,
            Right.PLAN_VISITS,
            Right.RECALL_BATCHES,
            Right.SEE_PROPOSALS,
            Right.DECIDE_PROPOSALS,
            Right.SEE_JOBS,
        }
    ),
    # Of stock an engineer moves and counts only what is in the own van.
    Role.ENGINEER: frozenset(
        _EVERYONE
        | {
            Right.SEE_STOCK,
            Right.VAN_STOCK,
            Right.SEE_SITES,
            Right.EDIT_SITES,
            Right.SEE_ACCESS_NOTES,
            Right.SEE_VISITS,
            Right.RECORD_RESULTS,
            Right.SEE_PROPOSALS,
        }
    ),
    Role.SERVICE_MANAGER: frozenset(set(Right) - {Right.ADMINISTER}),
    Role.ADMINISTRATOR: frozenset(Right),
}
