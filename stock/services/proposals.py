"""Order proposals: a draft for each supplier and store that lacks something, kept up to date until a person takes on.

A line that a person set (`by_hand`) is left alone, and an item that a person took off stays off while the draft is
open. Once its approval was asked for, or it was approved or placed, a draft is cover like any other order, and new
needs open a new one. Repeating changes nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from django.db import connection, transaction
from django.utils import timezone

from config.again import again
from config.errors import ZonewrightError
from stock.models import Location, Order, OrderLine, Supplier, SupplierItem
from stock.queries.orders import rate_of
from stock.queries.plan import OrderNeed, order_needs
from stock.rules.order_lines import Terms, quantity_to_order, why_rounded
from stock.services.orders import new_draft, save_next

# Any number that no other advisory lock of the service uses.
LOCK = 20_170_137

Report = Callable[[str, int], None]


@dataclass
class Proposed:
    """What a run did. `orders`: keys of the drafts that were made or changed; `problems`: what kept it from more."""

    made: int = 0
    changed: int = 0
    dropped: int = 0
    lines: int = 0
    without_supplier: int = 0
    orders: list[int] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def counts(self) -> dict[str, int]:
        return {
            "drafts made": self.made, "drafts changed": self.changed, "drafts dropped": self.dropped,
            "lines": self.lines, "items without supplier": self.without_supplier, "problems": len(self.problems),
        }


@again
@transaction.atomic
def propose_orders(*, business_date: date, report: Report = lambda part, percent: None) -> Proposed:
    """Bring the proposed drafts of every supplier and store to what is needed on that day.

    One transaction; two runs at once take turns. A supplier without an exchange rate is left out and named among the
    problems.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
    wanted = order_needs(today=business_date)
    terms = _terms(need.item_id for need in wanted)
    groups: dict[tuple[int, int], list[OrderNeed]] = defaultdict(list)
    done = Proposed()
    for need in wanted:
        sold = terms.get(need.item_id)
        if sold is None:
            done.without_supplier += 1
        else:
            groups[sold.supplier_id, need.location_id].append(need)
    drafts: dict[tuple[int, int], list[Order]] = defaultdict(list)
    for draft in (
        Order.objects.select_for_update(of=("self",)).select_related("supplier", "destination")
        .filter(proposed=True, state=Order.State.DRAFT, approval_asked_at=None).order_by("id")
    ):
        drafts[draft.supplier_id, draft.destination_id].append(draft)
    suppliers = Supplier.objects.in_bulk([supplier_id for supplier_id, _ in [*groups, *drafts]])
    places = Location.objects.in_bulk([location_id for _, location_id in groups])
    # A draft whose need has gone is brought up to date too.
    todo = sorted({*groups, *drafts})
    for step, key in enumerate(todo, 1):
        try:
            with transaction.atomic():
                if key not in drafts:
                    draft = new_draft(supplier=suppliers[key[0]], destination=places[key[1]], by=None, proposed=True)
                    _keep(draft, groups[key], terms, done, fresh=True)
                # An older one that was refused may be open beside a newer: one of them carries the needs.
                for older, draft in enumerate(drafts.get(key, [])):
                    _keep(draft, [] if older else groups.get(key, []), terms, done, fresh=False)
        except ZonewrightError as error:
            done.problems.append(f"{suppliers[key[0]]}: {error}")
        report("", 100 * step // len(todo))
    return done


def _terms(items: Iterable[int]) -> dict[int, SupplierItem]:
    found = SupplierItem.objects.filter(item__in=list(items), preferred=True).select_related("item")
    return {sold.item_id: sold for sold in found}


def _keep(
    draft: Order, wanted: Sequence[OrderNeed], terms: Mapping[int, SupplierItem], done: Proposed, *, fresh: bool
) -> None:
    changed = _bring_up_to_date(draft, wanted, terms)
    if not draft.lines.exists():
        draft.delete()
        done.dropped += 0 if fresh else 1
        return
    if not changed:
        return
    if not fresh:
        draft.rate = rate_of(draft.currency, on=timezone.localdate())
        save_next(draft)
    done.made += fresh
    done.changed += not fresh
    done.lines += changed
    done.orders.append(draft.pk)


def _bring_up_to_date(draft: Order, wanted: Sequence[OrderNeed], terms: Mapping[int, SupplierItem]) -> int:
    """Make the lines that nobody set by hand say what is wanted; returns how many changed."""
    kept = {line.item_id: line for line in draft.lines.select_for_update().order_by("id")}
    target: dict[int, OrderLine] = {}
    for need in sorted(wanted, key=lambda need: need.item_id):
        if need.item_id in draft.left_out:
            continue
        sold, lacks = terms[need.item_id], max(need.target - need.position, 1)
        rule = Terms(sold.pack_size, sold.minimum_order)
        rounded = why_rounded(lacks, rule, unit=need.unit)
        target[need.item_id] = OrderLine(
            order=draft, item_id=need.item_id, quantity=quantity_to_order(lacks, rule),
            unit_price=sold.unit_price, reason=" ".join(filter(None, (need.reason, rounded)))[:300],
        )
    gone, changed = [], []
    for item_id, line in kept.items():
        if line.by_hand:
            continue
        new = target.get(item_id)
        if new is None:
            gone.append(line.pk)
        elif (line.quantity, line.unit_price, line.reason) != (new.quantity, new.unit_price, new.reason):
            line.quantity, line.unit_price, line.reason = new.quantity, new.unit_price, new.reason
            changed.append(line)
    added = [line for item_id, line in target.items() if item_id not in kept]
    OrderLine.objects.filter(pk__in=gone).delete()
    OrderLine.objects.bulk_update(changed, ["quantity", "unit_price", "reason"], batch_size=500)
    OrderLine.objects.bulk_create(added)
    return len(gone) + len(changed) + len(added)
