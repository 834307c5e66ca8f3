"""The firm's settings for what to hold, and who decides a level: a person or the nightly plan."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from config.accounts.models import User
from config.accounts.rights import Right
from config.errors import Conflict, InvalidInput, NotAllowed
from stock.models import Item, Location, ServiceLevel, StockLevel, StockPlan, StoresPolicy

CLASSES = tuple((abc, xyz) for abc in "ABC" for xyz in "XYZ")
USUAL_SERVICE = Decimal(95)
LARGEST_LEVEL = 1_000_000
# Ten years of weeks, a quarter between two looks, a fortnight of visits: beyond that a figure is a slip.
RANGES = {"history_weeks": (1, 520), "review_days": (1, 90), "top_up_days": (0, 14)}

_SAID = {
    "stock_storespolicy_shares": (
        "b_share_percent", "Class A must end before class B, and B at 100 % at most.",
        "Write a larger share for B than for A.",
    ),
    "stock_storespolicy_variations": (
        "y_variation", "Class X must end before class Y.", "Write a larger variation for Y than for X.",
    ),
    "stock_storespolicy_costs": (
        "carrying_percent", "An order costs 0 or more, and keeping stock costs more than 0 %.",
        "Write 20 if you do not know what keeping costs.",
    ),
}


@transaction.atomic
def ensure_policy() -> StoresPolicy:
    """The firm's row and one service level for each class, made with the usual values where they are missing."""
    policy, _ = StoresPolicy.objects.get_or_create(pk=1)
    ServiceLevel.objects.bulk_create(
        [ServiceLevel(abc=abc, xyz=xyz, percent=USUAL_SERVICE) for abc, xyz in CLASSES], ignore_conflicts=True
    )
    return policy


@transaction.atomic
def change_policy(policy: StoresPolicy, *, changes: Mapping[str, Any], by: User) -> StoresPolicy:
    """Set settings of the stores by name. The plan follows with the next nightly work.

    Raises InvalidInput, or NotAllowed for the limit of approvals by somebody who could not approve.
    """
    limit = changes.get("approval_limit", policy.approval_limit)
    if limit != policy.approval_limit and not by.has_right(Right.APPROVE_ORDERS):
        raise NotAllowed(
            "The limit above which orders need an approval is set by those who approve.", field="approval_limit",
            value=limit, remedy="Leave it as it is, or ask a service manager.",
        )
    for name, value in changes.items():
        setattr(policy, name, value)
    try:
        policy.clean_fields()
    except ValidationError as error:
        field, said = next(iter(error.message_dict.items()))
        raise InvalidInput(" ".join(said), field=field, value=getattr(policy, field),
                           remedy="Write a value in its range.") from None
    for constraint, (field, message, remedy) in _SAID.items():
        rule = next(rule for rule in StoresPolicy._meta.constraints if rule.name == constraint)
        try:
            rule.validate(StoresPolicy, policy)
        except ValidationError:
            raise InvalidInput(message, field=field, value=getattr(policy, field), remedy=remedy) from None
    for field, (least, most) in RANGES.items():
        if not least <= getattr(policy, field) <= most:
            raise InvalidInput(f"{getattr(policy, field)} cannot be used.", field=field, value=getattr(policy, field),
                               remedy=f"Write a whole number from {least} to {most}.")
    policy.save()
    return policy


@transaction.atomic
def set_service_levels(levels: Mapping[tuple[str, str], Decimal], *, by: User) -> list[ServiceLevel]:
    """Set how often stock should last, in percent, for classes such as ("A", "X"). Raises InvalidInput."""
    for (abc, xyz), percent in levels.items():
        if (abc, xyz) not in CLASSES:
            raise InvalidInput(f"There is no class {abc}{xyz}.", field="class", value=f"{abc}{xyz}",
                               remedy="Classes run from AX to CZ.")
        if not 50 <= percent < 100:
            raise InvalidInput(f"A service level of {percent:f} % cannot be kept.", field=f"{abc}{xyz}", value=percent,
                               remedy="Write 50 or more and less than 100.")
    return ServiceLevel.objects.bulk_create(
        [ServiceLevel(abc=abc, xyz=xyz, percent=percent) for (abc, xyz), percent in sorted(levels.items())],
        update_conflicts=True, unique_fields=["abc", "xyz"], update_fields=["percent"],
    )


@transaction.atomic
def hold_by_hand(item: Item, location: Location, *, minimum: int, target: int, by: User) -> StockLevel:
    """Say by hand what a place should hold of an item; the nightly plan leaves it alone from now on.

    Raises InvalidInput for a place whose stock is not counted, or a target below the least quantity.
    """
    _check_place(location)
    for field, value in (("minimum", minimum), ("target", target)):
        if not 0 <= value <= LARGEST_LEVEL:
            raise InvalidInput(f"{value} cannot be held.", field=field, value=value,
                               remedy=f"Write a whole number from 0 to {LARGEST_LEVEL:,}.")
    if target < minimum:
        raise InvalidInput(f"It cannot be filled up to {target} and hold at least {minimum}.", field="target",
                           value=target, remedy="Write a target that is at least the least quantity.")
    level, _ = StockLevel.objects.update_or_create(
        item=item, location=location, defaults={"minimum": minimum, "target": target, "by_hand": True}
    )
    return level


@transaction.atomic
def hold_by_plan(item: Item, location: Location, *, by: User) -> StockLevel:
    """Take the plan's figures for a place's level, tonight and every night. Raises Conflict while there is no plan."""
    _check_place(location)
    plan = StockPlan.objects.select_for_update().filter(item=item, location=location).first()
    if plan is None:
        raise Conflict(f"There is no plan for {item.sku} at {location} yet.", field="item", value=item.sku,
                       remedy="Wait for the nightly work, or set the level by hand.")
    free = plan.reorder_point - plan.known_in_lead_time
    fill = plan.order_quantity if free else 0
    level, _ = StockLevel.objects.update_or_create(
        item=item, location=location, defaults={"minimum": free, "target": free + fill, "by_hand": False}
    )
    return level


def _check_place(location: Location) -> None:
    if location.kind not in {Location.Kind.STORE, Location.Kind.VAN}:
        raise InvalidInput(f"{location} is not stocked up.", field="location", value=location,
                           remedy="Choose a store or a van.")
