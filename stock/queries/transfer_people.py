"""Who may pick, send, confirm and settle a transfer: each answers with why not, or nothing."""

from __future__ import annotations

from django.db.models import Q, QuerySet

from config.accounts.models import User
from config.accounts.rights import Right, Role
from stock.models import Location, Transfer


def refusal_to_send(user: User, source: Location) -> str:
    """Why this person may not pick and send from the place; "" when they may. No statement for a loaded place.

    Stores people answer for every store and van that they see; an engineer for the own van.
    """
    if source.kind == Location.Kind.VAN and source.engineer_id == user.pk and user.has_right(Right.VAN_STOCK):
        return ""
    if not user.has_right(Right.MOVE_STOCK):
        return f"You do not answer for {source}."
    if user.branch_id is not None and source.branch_id != user.branch_id:
        return f"{source} belongs to another branch."
    return ""


def _receivers(place: Location) -> QuerySet[User]:
    """The people whose task it is to receive there: the van's engineer, or the stores people of its branch."""
    people = User.objects.filter(is_active=True)
    if place.kind == Location.Kind.VAN:
        return people.filter(pk=place.engineer_id or 0)
    return people.filter(role=Role.STORES).filter(Q(branch=None) | Q(branch_id=place.branch_id))


def refusal_to_confirm(user: User, transfer: Transfer) -> str:
    """Why this person may not say what has arrived; "" when they may. At most one statement.

    The receiver confirms: the van's engineer, or who answers for the store. Whoever sent the parcel may confirm it
    only when no other person has the task to receive there, so that goods are seen by two people where there are two.
    """
    place = transfer.destination
    if refusal := refusal_to_send(user, place):
        return refusal
    if transfer.sent_by_id == user.pk and _receivers(place).exclude(pk=user.pk).exists():
        return "You sent this parcel yourself, and somebody else is there to receive it."
    return ""


def refusal_to_settle(user: User, transfer: Transfer) -> str:
    """Why this person may not settle a difference; "" when they may: stores people of either end. No statement."""
    if not user.has_right(Right.MOVE_STOCK):
        return "Differences are settled by the stores."
    if user.branch_id is not None and user.branch_id not in {
        transfer.source.branch_id, transfer.destination.branch_id
    }:
        return f"{transfer.number} is between other branches."
    return ""
