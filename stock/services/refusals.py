"""What the ledger's constraints mean in words: which value was refused, and what to do about it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass

from django.db import IntegrityError, OperationalError, connection, transaction

from config.again import as_busy
from config.errors import Conflict, InvalidInput, ZonewrightError
from stock.models import Balance, BatchBalance, Item, Location, Movement, Order, Serial


@dataclass(frozen=True)
class Posting:
    """What was asked of the ledger; `source` is the place that stock leaves or is promised at."""

    item: Item | None = None
    quantity: int = 0
    source: Location | None = None
    destination: Location | None = None
    serial: Serial | None = None
    order: Order | None = None
    number: str = ""
    ahead: bool = False
    corrects: Movement | None = None
    batch: str = ""


def _held(asked: Posting) -> Balance:
    """The balance as it stands, read only once something was refused. One statement."""
    assert asked.item is not None
    assert asked.source is not None
    found = Balance.objects.filter(item=asked.item, location=asked.source).first()
    return found or Balance(item=asked.item, location=asked.source)


def _amount(quantity: int, item: Item | None) -> str:
    return f"{quantity} {item.unit if item else ''}".strip()


def _too_few(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    return Conflict(
        f"{asked.source} holds {_amount(_held(asked).on_hand, asked.item)} of {asked.item.sku}; "
        f"{_amount(asked.quantity, asked.item)} cannot leave it.",
        field="quantity",
        value=asked.quantity,
        remedy="Move no more than it holds, or first correct the count.",
    )


def _too_few_of_batch(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    rows = BatchBalance.objects.filter(item=asked.item, on_hand__gt=0)
    here = rows.filter(location=asked.source, batch=asked.batch).values_list("on_hand", flat=True).first() or 0
    others = list(rows.filter(location=asked.source).exclude(batch=asked.batch).order_by("batch")[:4])
    instead = ", ".join(f"{_amount(row.on_hand, asked.item)} of batch {row.batch}" for row in others)
    return Conflict(
        f"{asked.source} holds {_amount(here, asked.item)} of {asked.item.sku} of batch {asked.batch}; "
        f"{_amount(asked.quantity, asked.item)} cannot leave it.",
        field="batch",
        value=asked.batch,
        remedy=f"It also holds {instead}: compare the number with the box."
        if instead
        else "Compare the number with the box, or first correct the count.",
    )


def _promised(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    held = _held(asked)
    return Conflict(
        f"{asked.source} holds {_amount(held.on_hand, asked.item)} of {asked.item.sku}, of which {held.reserved} "
        f"are reserved; {_amount(asked.quantity, asked.item)} more cannot be taken or promised.",
        field="quantity",
        value=asked.quantity,
        remedy="Take no more than is available, or release a reservation first.",
    )


def _promised_ahead(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    held = _held(asked)
    if not asked.ahead and not held.reserved_ahead:
        return _promised(asked)
    return Conflict(
        f"{asked.source} holds {_amount(held.on_hand, asked.item)} of {asked.item.sku} and has {held.on_order} on "
        f"order; {held.reserved + held.reserved_ahead} of these are promised already, so {asked.quantity} more "
        "cannot be taken, promised or cancelled.",
        field="quantity",
        value=asked.quantity,
        remedy="Order more, or release a reservation first.",
    )


def _serial_place(asked: Posting) -> ZonewrightError:
    assert asked.serial is not None
    now = Serial.objects.select_related("location").get(pk=asked.serial.pk)
    where = f"is at {now.location}" if now.location else "has never been received"
    return Conflict(
        f"Serial {now.number} {where}, so it cannot leave {asked.source}.",
        field="serial",
        value=now.number,
        remedy="Move it from where it is, or correct the movement that put it there.",
    )


def _serial_named(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    return InvalidInput(
        f"{asked.item.sku} is tracked by serial number, and the movement names none.",
        field="serial",
        remedy="Name the serial; post one movement for each.",
    )


def _batch_named(asked: Posting) -> ZonewrightError:
    assert asked.item is not None
    return InvalidInput(
        f"{asked.item.sku} is tracked by batch, and the movement names none.",
        field="batch",
        remedy="Write the batch number that is printed on the box.",
    )


def _serial_of_item(asked: Posting) -> ZonewrightError:
    assert asked.serial is not None
    return InvalidInput(
        f"Serial {asked.serial.number} belongs to another item than {asked.item}.",
        field="serial",
        value=asked.serial.number,
        remedy="Choose a serial of this item.",
    )


def _one_serial(asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "A movement that names a serial moves exactly one piece.",
        field="quantity",
        value=asked.quantity,
        remedy="Write 1, and post one movement for each serial.",
    )


def _two_ends(asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "A movement cannot end where it starts.",
        field="destination",
        value=asked.destination,
        remedy="Choose another destination.",
    )


def _some(asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "The quantity must be at least 1.", field="quantity", value=asked.quantity, remedy="Write a whole number."
    )


def corrected_already(movement: Movement) -> Conflict:
    return Conflict(
        f"Movement {movement.pk} has been corrected already.",
        field="movement",
        value=movement.pk,
        remedy="Look at the correction; post a fresh movement if more is wrong.",
    )


def _corrected_already(asked: Posting) -> ZonewrightError:
    assert asked.corrects is not None
    return corrected_already(asked.corrects)


def _not_the_reverse(asked: Posting) -> ZonewrightError:
    assert asked.corrects is not None
    return Conflict(
        f"A correction of movement {asked.corrects.pk} must take back all of it, and nothing else.",
        field="movement",
        value=asked.corrects.pk,
        remedy="Correct it as a whole, then post what should have been posted.",
    )


def _correction_named(_asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "A correction must say which movement it corrects, and only a correction does.",
        field="kind",
        value=Movement.Kind.CORRECT,
        remedy="Open the movement and correct it there.",
    )


def _no_cost(asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "Only a receipt and its correction carry a cost, and it is not below 0.",
        field="unit_cost",
        value=asked.number,
        remedy="Leave the cost out, or write what one unit cost.",
    )


def _over_received(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"The order line for {asked.item} has less than {asked.quantity} still to come.",
        field="quantity",
        value=asked.quantity,
        remedy="Receive what was ordered; put what was sent beyond it on another order.",
    )


def _serial_known(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"One of these serial numbers of {asked.item} has been received before.",
        field="serial_numbers",
        value=asked.number,
        remedy="Compare the numbers with the labels; a returned piece is moved, not received again.",
    )


def _order_number(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"There is an order with the number {asked.number} already.",
        field="number",
        value=asked.number,
        remedy="Choose another number, or leave it empty to get the next one.",
    )


def _item_twice(asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "An item stands on an order only once.", field="lines", value=asked.number, remedy="Add the quantities up."
    )


def _tracking_fixed(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"{asked.item} has movements, so how it is tracked is fixed.",
        field="tracking",
        remedy="Add an item with another stock number for pieces that are tracked otherwise.",
    )


def _minimum_over_target(_asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "The least stock cannot be more than what the location is filled up to.",
        field="minimum",
        remedy="Lower the minimum or raise the target.",
    )


def _level_known(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"{asked.source} has a level for {asked.item} already.",
        field="location",
        value=asked.source,
        remedy="Change that level.",
    )


def _count_open(asked: Posting) -> ZonewrightError:
    return Conflict(
        f"A count of {asked.source} is under way.",
        field="location",
        value=asked.source,
        remedy="Go on with that count, or cancel it first.",
    )


def _supply_range(_asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "The lowest supply voltage must be below the highest.",
        field="supply_min_v",
        remedy="Check both values in volts.",
    )


def _currents(_asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "The quiescent current cannot be above the maximum current.",
        field="quiescent_ma",
        remedy="Check both values in milliamperes.",
    )


def _mask_output(_asked: Posting) -> ZonewrightError:
    return InvalidInput(
        "A variant with anti-mask needs a mask output.", field="outputs", remedy="Add 'mask' to its outputs."
    )


def _sku_taken(asked: Posting) -> ZonewrightError:
    return Conflict(
        "Another item has this stock number.", field="sku", value=asked.number, remedy="Choose another stock number."
    )


MEANINGS: dict[str, Callable[[Posting], ZonewrightError]] = {
    "stock_balance_never_negative": _too_few,
    "stock_batchbalance_never_negative": _too_few_of_batch,
    "stock_balance_reserved_on_hand": _promised,
    "stock_balance_reserved_ahead": _promised_ahead,
    "stock_movement_serial_place": _serial_place,
    "stock_movement_serial_named": _serial_named,
    "stock_movement_batch_named": _batch_named,
    "stock_movement_serial_of_item": _serial_of_item,
    "stock_movement_serial_is_one": _one_serial,
    "stock_movement_two_ends": _two_ends,
    "stock_movement_some": _some,
    "stock_movement_cost": _no_cost,
    "stock_movement_correction_named": _correction_named,
    "stock_movement_correction_reverses": _not_the_reverse,
    "stock_movement_corrects_id_key": _corrected_already,
    "stock_reservation_some": _some,
    "stock_orderline_some": _some,
    "stock_orderline_not_over": _over_received,
    "stock_orderline_once": _item_twice,
    "stock_serial_once": _serial_known,
    "stock_order_number_key": _order_number,
    "stock_item_tracking_fixed": _tracking_fixed,
    "stock_item_sku_key": _sku_taken,
    "stock_stocklevel_once": _level_known,
    "stock_stockcount_one_open": _count_open,
    "stock_stocklevel_order": _minimum_over_target,
    "stock_variant_supply_range": _supply_range,
    "stock_variant_currents": _currents,
    "stock_variant_mask_output": _mask_output,
}


@contextmanager
def explained(asked: Posting, *, single: bool = False) -> Iterator[None]:
    """One transaction (or savepoint); a constraint that refuses it is raised as the error it stands for.

    `single` says that the block is one statement: outside a transaction it then needs none of its own. Within one,
    the savepoint keeps the caller's transaction usable after a refusal, and lets the refusal say what is there.
    """
    own = nullcontext() if single and not connection.in_atomic_block else transaction.atomic()
    try:
        with own:
            yield
    except IntegrityError as error:
        name = getattr(getattr(error.__cause__, "diag", None), "constraint_name", None)
        meaning = MEANINGS.get(name or "")
        if meaning is None:
            raise
        raise meaning(asked) from error
    except OperationalError as error:
        busy = as_busy(error)
        if busy is None:
            raise
        raise busy from error
