# mypy: disable-error-code="no-untyped-call"
"""Orders of the invented firm that wait for somebody: proposals, and one in another currency to be approved."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from config.accounts.rights import Role
from config.demo import factories as make
from config.demo.catalogue import Catalogue
from config.demo.firm import People, local
from config.demo.prices import price_of
from stock.models import ExchangeRate, Item, Order, OrderLine, Supplier, SupplierItem
from stock.services.proposals import propose_orders

ABROAD = "Nordvik Detektion"
CURRENCY = "EUR"
# Invented: units of the firm's currency for one, by days before today.
RATES = ((400, "0.871200"), (120, "0.858400"), (15, "0.863100"))
ADDRESSES = {
    "Quay Lane Wholesale": ("orders@quay-lane.example", "Unit 4, Quay Lane\nElmersley\nEL4 9QQ"),
    "Larkfold Security Trade": ("sales@larkfold.example", "Larkfold Yard\nSkelbrook\nSK2 7LF"),
    "Wick Cable Barn": ("", "The Barn, Wick End\nElmersley\nEL9 1WB"),
    ABROAD: ("ordre@nordvik.example", "Fjordgata 12\n5003 Nordvik"),
}


def load_orders(catalogue: Catalogue, people: People, today: date) -> int:
    """Addresses and a supplier abroad, an order that waits for its approval, and the night's proposals; returns how
    many orders there are to look at."""
    place = make.SuppliersPlaceFactory.create(code="nordvik", name=ABROAD)
    abroad = make.SupplierFactory.create(name=ABROAD, location=place, lead_time_days=14, currency=CURRENCY)
    for name, (email, address) in ADDRESSES.items():
        Supplier.objects.filter(name=name).update(email=email, address=address)
    ExchangeRate.objects.bulk_create(
        ExchangeRate(currency=CURRENCY, valid_from=today - timedelta(days=days), rate=Decimal(rate))
        for days, rate in RATES
    )
    covers = [catalogue.covers[code] for code in sorted(catalogue.covers) if catalogue.rows[code].gone_years is None]
    _list(abroad, covers[:6], today)
    _waiting(abroad, covers[:3], people, today)
    done = propose_orders(business_date=today)
    Order.objects.filter(pk__in=done.orders).update(made_at=local(today, 2))
    return len(done.orders) + 1


def _list(abroad: Supplier, covers: list[Item], today: date) -> None:
    """It sells some covers a little cheaper in packs of four, and nothing is ordered there unless a person does."""
    rate = Decimal(RATES[-1][1])
    SupplierItem.objects.bulk_create(
        SupplierItem(
            supplier=abroad, item=item, supplier_code=f"ND-{1000 + number}", pack_size=4, minimum_order=8,
            preferred=False,
            unit_price=(price_of(item, local(today, 12), local(today, 12)) / rate * Decimal("0.94")).quantize(
                Decimal("0.01")
            ),
        )
        for number, item in enumerate(covers)
    )


def _waiting(abroad: Supplier, covers: list[Item], people: People, today: date) -> None:
    """Worth more than the stores manager may place at once."""
    stores = people.office[Role.STORES]
    order = Order.objects.create(
        number="PO-ND-1", supplier=abroad, destination=people.stores["ELL"], made_by=stores, currency=CURRENCY,
        rate=Decimal(RATES[-1][1]), made_at=local(today - timedelta(days=1), 15), approval_asked_by=stores,
        approval_asked_at=local(today - timedelta(days=1), 15, 20), note="Deliver before noon, please.",
    )
    prices = dict(SupplierItem.objects.filter(supplier=abroad).values_list("item_id", "unit_price"))
    OrderLine.objects.bulk_create(
        OrderLine(order=order, item=item, quantity=8, unit_price=prices[item.pk], by_hand=True) for item in covers
    )
