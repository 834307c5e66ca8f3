"""Suppliers with what they sell, how long they take, and exchange rates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import Count, Q, QuerySet

from config.accounts.models import User
from config.keyset import KeysetPage, page
from stock.models import ExchangeRate, Order, StoresPolicy, Supplier, SupplierItem

SUPPLIER_ORDER = ("name", "id")
TERMS_ORDER = ("item__sku", "id")
RATE_ORDER = ("-valid_from", "-id")
LEAD_TIME_DAYS = 730

# Days from placing an order to each day that something of it came in; a delivery that was taken back counts not.
_LEAD_TIMES = """
    WITH deliveries AS (
        SELECT o.supplier_id, o.id, (m.at AT TIME ZONE %(zone)s)::date - o.ordered_on AS days,
            (m.at AT TIME ZONE %(zone)s)::date > o.expected_on AS late
        FROM stock_order o
        JOIN stock_movement m ON m.reference = o.number AND m.reference <> '' AND m.kind = 'receive'
        WHERE o.ordered_on >= %(since)s AND o.supplier_id = ANY(%(suppliers)s)
            AND NOT EXISTS (SELECT 1 FROM stock_movement c WHERE c.corrects_id = m.id)
        GROUP BY 1, 2, 3, 4
    )
    SELECT supplier_id, count(DISTINCT id), count(*), avg(days)::float8, COALESCE(stddev_samp(days), 0)::float8,
        min(days), max(days), count(*) FILTER (WHERE late)
    FROM deliveries WHERE days >= 0 GROUP BY supplier_id
"""


@dataclass(frozen=True)
class LeadTime:
    """Days from order to delivery as seen: each day that something of an order came in is one delivery."""

    orders: int
    deliveries: int
    mean_days: float
    sd_days: float
    least_days: int
    most_days: int
    late: int


@dataclass(frozen=True)
class SupplierRow:
    supplier: Supplier
    items: int
    under_way: int
    seen: LeadTime | None


def lead_times(suppliers: list[int], *, today: date, zone: str) -> dict[int, LeadTime]:
    """Lead times of the last two years by supplier. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            _LEAD_TIMES, {"zone": zone, "since": today - timedelta(days=LEAD_TIME_DAYS), "suppliers": suppliers}
        )
        return {row[0]: LeadTime(*row[1:]) for row in cursor.fetchall()}


def supplier_page(
    user: User, *, today: date, zone: str, cursor: str | None = None, size: int = 50
) -> KeysetPage[SupplierRow]:
    """One page of suppliers by name. Three statements. Raises InvalidInput for a foreign cursor."""
    found = page(suppliers(user), SUPPLIER_ORDER, cursor=cursor, size=size)
    keys = [supplier.pk for supplier in found.rows]
    under_way = dict(
        Order.objects.visible_to(user).filter(supplier__in=keys, state=Order.State.PLACED).order_by()
        .values_list("supplier_id").annotate(n=Count("id"))
    )
    seen = lead_times(keys, today=today, zone=zone)
    return KeysetPage(
        [
            SupplierRow(supplier, supplier.item_count, under_way.get(supplier.pk, 0), seen.get(supplier.pk))
            for supplier in found.rows
        ],
        found.next_cursor, found.first,
    )


def suppliers(user: User) -> QuerySet[Any]:
    """Suppliers with how many items each sells; the firm's, for everyone who sees stock. One statement."""
    return Supplier.objects.annotate(item_count=Count("items"))


def terms_page(
    supplier: Supplier, *, text: str = "", cursor: str | None = None, size: int = 50
) -> KeysetPage[SupplierItem]:
    """One page of what a supplier sells, by stock number. One statement."""
    rows = SupplierItem.objects.filter(supplier=supplier).select_related("item")
    if text:
        rows = rows.filter(
            Q(item__sku__icontains=text) | Q(item__name__icontains=text) | Q(supplier_code__icontains=text)
        )
    return page(rows, TERMS_ORDER, cursor=cursor, size=size)


def rate_page(*, cursor: str | None = None, size: int = 50) -> KeysetPage[ExchangeRate]:
    """Exchange rates, the newest first. One statement."""
    return page(ExchangeRate.objects.all(), RATE_ORDER, cursor=cursor, size=size)


def rates_today(today: date) -> list[tuple[str, Decimal | None]]:
    """Each currency of a supplier other than the firm's, with its rate of the day. Three statements."""
    own = StoresPolicy.current().currency
    currencies = list(
        Supplier.objects.exclude(currency=own).order_by("currency").values_list("currency", flat=True).distinct()
    )
    known = dict(
        ExchangeRate.objects.filter(currency__in=currencies, valid_from__lte=today)
        .order_by("currency", "-valid_from").distinct("currency").values_list("currency", "rate")
    )
    return [(currency, known.get(currency)) for currency in currencies]
