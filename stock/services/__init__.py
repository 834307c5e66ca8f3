"""Writes of the stock app: one verb per function, one transaction each; the actor is passed as `by`."""

from stock.services.catalogue import change_entry
from stock.services.ledger import (
    correct_movement,
    move_serial_to_site,
    post_movement,
    record_movement,
    release_reservation,
    reserve,
    take_serial_from_site,
    use_reservation,
)
from stock.services.orders import cancel_order, make_order, place_order
from stock.services.purchasing import make_stock_level, set_stock_level
from stock.services.receiving import receive_order_line
from stock.services.retries import post_once

__all__ = [
    "cancel_order",
    "change_entry",
    "correct_movement",
    "make_order",
    "make_stock_level",
    "move_serial_to_site",
    "place_order",
    "post_movement",
    "post_once",
    "receive_order_line",
    "record_movement",
    "release_reservation",
    "reserve",
    "set_stock_level",
    "take_serial_from_site",
    "use_reservation",
]
