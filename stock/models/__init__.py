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
from stock.models.checks import LedgerCheck, LedgerDifference, Snapshot, SnapshotLine
from stock.models.costs import ItemCost
from stock.models.counting import CountLine, StockCount
from stock.models.deliveries import HeldDelivery
from stock.models.files import TableExport, TableImport
from stock.models.ledger import Balance, BatchBalance, Location, Movement, Reservation, Serial
from stock.models.planning import PastDemand, ServiceLevel, StockPlan, StoresPolicy
from stock.models.purchasing import ExchangeRate, Order, OrderLine, StockLevel, Supplier, SupplierItem
from stock.models.transfers import BinPlace, Transfer, TransferLine, TransferPiece

__all__ = [
    "Backplate",
    "Balance",
    "BatchBalance",
    "BinPlace",
    "Board",
    "CableType",
    "CountLine",
    "ExchangeRate",
    "Family",
    "HeldDelivery",
    "Insert",
    "Item",
    "ItemCost",
    "KitLine",
    "LedgerCheck",
    "LedgerDifference",
    "Location",
    "Movement",
    "Order",
    "OrderLine",
    "PastDemand",
    "Reservation",
    "Serial",
    "ServiceLevel",
    "Snapshot",
    "SnapshotLine",
    "StockCount",
    "StockLevel",
    "StockPlan",
    "StoresPolicy",
    "Supplier",
    "SupplierItem",
    "TableExport",
    "TableImport",
    "Topology",
    "Transfer",
    "TransferLine",
    "TransferPiece",
    "Variant",
]
