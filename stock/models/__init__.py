from stock.models.catalogue import (
    Backplate,
    Board,
    CableType,
    Family,
    Insert,
    Item,
    KitLine,
    Topology,
    Variant,
)
from stock.models.ledger import Balance, Location, Movement, Reservation, Serial
from stock.models.purchasing import Order, OrderLine, StockLevel, Supplier

__all__ = [
    "Backplate",
    "Balance",
    "Board",
    "CableType",
    "Family",
    "Insert",
    "Item",
    "KitLine",
    "Location",
    "Movement",
    "Order",
    "OrderLine",
    "Reservation",
    "Serial",
    "StockLevel",
    "Supplier",
    "Topology",
    "Variant",
]
