"""The moving average of a perpetual inventory, as worked examples from outside print it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from stock.models import Item, ItemCost, Location, Movement
from stock.queries.valuation import valuation

START = datetime(2026, 1, 1, tzinfo=UTC)
# Day of the year, units (less than 0: sold), unit cost of a purchase.
Step = tuple[int, int, str | None]


@dataclass(frozen=True)
class Places:
    supplier: Location
    store: Location
    scrap: Location


@pytest.fixture
def places(branch: Branch) -> Places:
    return Places(
        make.SuppliersPlaceFactory.create(), make.LocationFactory.create(branch=branch), make.ScrapPlaceFactory.create()
    )


def run_through(steps: tuple[Step, ...], item: Item, places: Places) -> tuple[list[Decimal], list[Decimal]]:
    """Post the steps; the average after each, and the cost of each sale at the average then in force."""
    averages, costs = [], []
    for day, units, cost in steps:
        bought = units > 0
        Movement.objects.create(
            item=item, quantity=abs(units), at=START + timedelta(days=day),
            source=places.supplier if bought else places.store, destination=places.store if bought else places.scrap,
            kind="receive" if bought else "write-off", unit_cost=Decimal(cost) if cost else None,
        )
        average = ItemCost.objects.filter(item=item).latest("id").average
        averages.append(average)
        if not bought:
            costs.append(-units * average)
    return averages, costs


def worth(user: User, item: Item, day: int) -> Decimal:
    return valuation(user, START + timedelta(days=day), item=item.pk).total.value


@pytest.fixture
def item(places: Places) -> Item:
    return make.ItemFactory.create()


def test_a_year_of_three_purchases(item: Item, places: Places, stores: User) -> None:
    """Worked answer at justaaa.com, accounting question 56626 ("Weighted Average Cost Flow Method Under Perpetual
    Inventory System", 30,000 units at $30): averages 30, 30.90, 31.60; cost of what was sold 720,000 and 1,390,500,
    together 2,110,500; inventory at the end 36,000 units at 31.60, $1,137,600."""
    steps: tuple[Step, ...] = (
        (1, 30_000, "30.00"), (77, -24_000, None), (122, 54_000, "31.00"), (221, -45_000, None), (293, 21_000, "32.10")
    )
    averages, costs = run_through(steps, item, places)
    assert averages == [Decimal(text) for text in ("30", "30", "30.9", "30.9", "31.6")]
    assert costs == [Decimal(720_000), Decimal(1_390_500)]
    assert sum(costs) == Decimal(2_110_500)
    # The inventory column of the same answer, at the end of each day.
    assert [worth(stores, item, day) for day in (2, 78, 123, 222, 294)] == [
        Decimal(900_000), Decimal(180_000), Decimal(1_854_000), Decimal(463_500), Decimal(1_137_600)
    ]


def test_an_average_that_does_not_come_out_even(item: Item, places: Places, stores: User) -> None:
    """Lesson "average cost method for the perpetual system" at instantcertcredit.com, course 5, lesson 318: 2.40, then
    2.77 a unit; sold for 720 and 692.50; 350 units for 1,338.50 at the end. The lesson carries 2.77, rounded, on; the
    service carries six places, so the end differs by the rounding of 50 units."""
    steps: tuple[Step, ...] = (
        (1, 500, "2.40"), (5, -300, None), (9, 100, "3.50"), (14, -250, None), (20, 300, "4.00")
    )
    averages, costs = run_through(steps, item, places)
    assert [round(average, 2) for average in averages[:3]] == [Decimal("2.40"), Decimal("2.40"), Decimal("2.77")]
    assert costs[0] == Decimal(720)
    assert abs(costs[1] - Decimal("692.50")) <= 250 * Decimal("0.005")
    assert worth(stores, item, 6) == Decimal("480.00")
    assert worth(stores, item, 10) == Decimal("830.00")
    assert abs(worth(stores, item, 21) - Decimal("1338.50")) <= 50 * Decimal("0.005")


def test_the_average_of_a_question_that_no_answer_stood_by(item: Item, places: Places, stores: User) -> None:
    """Question at analystforum.com, topic 121754: 2 units at $2, 3 at $3, 4 sold, 5 at $5, 3 sold. It prints 2.6 after
    the second purchase. What follows is computed by hand: (1 x 2.6 + 5 x 5) / 6 = 4.6, and 3 x 4.6 = 13.8 left."""
    averages, costs = run_through(
        ((1, 2, "2"), (7, 3, "3"), (12, -4, None), (19, 5, "5"), (29, -3, None)), item, places
    )
    assert averages == [Decimal(text) for text in ("2", "2.6", "2.6", "4.6", "4.6")]
    assert costs == [Decimal("10.4"), Decimal("13.8")]
    assert worth(stores, item, 30) == Decimal("13.80")
