"""The firm's own edits to its regimes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pghistory
from django.db import transaction

from config.accounts.models import User
from config.errors import InvalidInput
from maintenance.models import RegimeRule

EDITABLE = frozenset(
    {"interval_months", "first_after_months", "early_months", "late_months", "keeps_anniversary", "source"}
)


def change_rule(rule: RegimeRule, *, changes: Mapping[str, Any], by: User) -> RegimeRule:
    """Change intervals, windows (months) or the source of a rule.

    Due months already counted stand; each requirement takes up the new interval when it is next carried
    out. Raises InvalidInput for an interval that cannot be used or an empty source.
    """
    for name, value in changes.items():
        if name not in EDITABLE:
            raise InvalidInput("This cannot be changed in a rule.", field=name, value=value,
                               remedy="Change the interval, the window or the source.")
        setattr(rule, name, value)
    if rule.interval_months < 1 or rule.first_after_months < 1:
        raise InvalidInput("An interval is at least one month.", field="interval_months",
                           value=rule.interval_months, remedy="Write 1 or more.")
    if rule.early_months >= rule.interval_months:
        raise InvalidInput("The window would open before the last due month.", field="early_months",
                           value=rule.early_months, remedy=f"Write less than {rule.interval_months}.")
    if not rule.source.strip():
        raise InvalidInput("A rule names its source.", field="source",
                           remedy="Write the standard, or 'own rule' and who decided it.")
    with pghistory.context(user=by.pk), transaction.atomic():
        rule.save(update_fields=sorted(changes) or None)
    return rule
