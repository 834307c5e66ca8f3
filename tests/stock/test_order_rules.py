"""What an order line comes to, as pure computation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.errors import RuleError
from stock.rules.order_lines import Terms, divided, quantity_to_order, taken_back


@given(
    wanted=st.integers(1, 5000), pack=st.integers(1, 200), least=st.integers(1, 500)
)
def test_the_ordered_quantity_is_the_least_that_is_sold(wanted: int, pack: int, least: int) -> None:
    ordered = quantity_to_order(wanted, Terms(pack, least))
    assert ordered >= max(wanted, least)
    assert ordered % pack == 0
    assert ordered - pack < max(wanted, least)


def test_a_pack_of_nothing_is_refused() -> None:
    with pytest.raises(RuleError):
        quantity_to_order(3, Terms(0, 1))


@given(quantity=st.integers(0, 500), ordered=st.integers(1, 300), received=st.integers(0, 300))
def test_a_receipt_that_is_taken_back_leaves_the_line_as_it_was(quantity: int, ordered: int, received: int) -> None:
    received = min(received, ordered)
    parts = divided(quantity, ordered=ordered, received=received)
    assert parts.due + parts.beyond == quantity
    assert received + parts.due <= ordered
    assert taken_back(quantity, received=received + parts.due, over=parts.beyond) == (received, 0)


def test_what_was_over_is_taken_back_first() -> None:
    assert taken_back(3, received=10, over=2) == (9, 0)
    assert taken_back(2, received=10, over=2) == (10, 0)
    assert taken_back(13, received=10, over=2) is None
