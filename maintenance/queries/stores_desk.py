"""What waits in the stores today: parcels, counts, orders, quarantine, recalls, and what the weeks ahead lack."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Exists, F, OuterRef, Q
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from maintenance.models import Recall
from maintenance.queries.jobs import ShortageRow, shortage_list
from stock.models import Balance, Location, Order, StockCount, Transfer, TransferLine
from stock.queries.checks import open_alarm

FEW = 8


@dataclass(frozen=True)
class Waiting:
    """One kind of thing that waits. `tone` is colour only; the words say the same."""

    words: str
    number: int
    name: str  # of the address that lists it
    query: str = ""
    tone: str = "info"


@dataclass(frozen=True)
class StoresDesk:
    alarm: int
    waiting: list[Waiting]
    shortages: list[ShortageRow]
    more_shortages: bool
    van: Location | None


def stores_desk(user: User, *, today: date | None = None) -> StoresDesk:
    """The first page of the stores. Eight statements."""
    day = today or timezone.localdate()
    van = Location.objects.filter(engineer=user).first()
    short = shortage_list(user, cursor=None, size=FEW)
    return StoresDesk(
        alarm=open_alarm(user),
        waiting=[found for found in _waiting(user, day) if found.number],
        shortages=list(short.rows),
        more_shortages=short.next_cursor is not None,
        van=van,
    )


def _waiting(user: User, day: date) -> list[Waiting]:
    parcels = _parcels(user)
    orders = _orders(user, day)
    counts = StockCount.objects.visible_to(user).aggregate(
        counting=Count("pk", filter=Q(state=StockCount.State.COUNTING)),
        review=Count("pk", filter=Q(state=StockCount.State.REVIEW)),
    )
    held = Balance.objects.visible_to(user).aggregate(
        quarantine=Count("pk", filter=Q(location__kind=Location.Kind.QUARANTINE, on_hand__gt=0)),
        short=Count("pk", filter=Q(short=True)),
    )
    recalls = Recall.objects.filter(closed_at=None).count() if user.has_right(Right.RECALL_BATCHES) else 0
    return [
        Waiting("parcels on the way to you: confirm what has come", parcels["mine"], "stock:transfers", tone="warn"),
        Waiting("pick lists and transfers to pick", parcels["to_pick"], "stock:transfers"),
        Waiting("parcels with pieces that did not arrive", parcels["missing"], "stock:transfers", tone="bad"),
        Waiting("orders that wait for an approval", orders["to_approve"], "stock:orders", "state=waiting", tone="warn"),
        Waiting("proposed orders to look over", orders["proposed"], "stock:orders", "state=proposed"),
        Waiting("orders that are late", orders["late"], "stock:orders", "state=late", tone="bad"),
        Waiting("counts to look over and post", counts["review"], "stock:counts", tone="warn"),
        Waiting("counts under way", counts["counting"], "stock:counts"),
        Waiting("items in quarantine: test, release or scrap", held["quarantine"], "stock:quarantine"),
        Waiting("recalls open", recalls, "maintenance:recalls", tone="warn"),
        Waiting("items below their level", held["short"], "stock:levels", "below=on", tone="warn"),
    ]


def _parcels(user: User) -> dict[str, int]:
    if not user.has_right(Right.VAN_STOCK):
        return {"mine": 0, "to_pick": 0, "missing": 0}
    stores = user.has_right(Right.MOVE_STOCK)
    lost = TransferLine.objects.filter(transfer=OuterRef("pk"), sent__gt=F("arrived") + F("settled"))
    found = Transfer.objects.visible_to(user).filter(
        Q(state__in=(Transfer.State.TO_PICK, Transfer.State.SENT)) | Q(Exists(lost), state=Transfer.State.CONFIRMED)
    )
    sums: dict[str, int] = found.aggregate(
        mine=Count("pk", filter=Q(state=Transfer.State.SENT, destination__engineer=user)),
        to_pick=Count("pk", filter=Q(state=Transfer.State.TO_PICK)),
        missing=Count("pk", filter=Q(state=Transfer.State.CONFIRMED)),
    )
    return sums if stores else sums | {"to_pick": 0, "missing": 0}


def _orders(user: User, day: date) -> dict[str, int]:
    if not user.has_right(Right.ORDER_STOCK):
        return {"to_approve": 0, "proposed": 0, "late": 0}
    sums: dict[str, int] = Order.objects.visible_to(user).aggregate(
        to_approve=Count("pk", filter=Q(state=Order.State.DRAFT, approval_asked_at__isnull=False)),
        proposed=Count("pk", filter=Q(state=Order.State.DRAFT, proposed=True, approval_asked_at=None)),
        late=Count("pk", filter=Q(state=Order.State.PLACED, expected_on__lt=day)),
    )
    return sums
