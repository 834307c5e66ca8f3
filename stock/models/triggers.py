"""The ledger's triggers, in PL/pgSQL. Measured: one insert with a balance trigger posts about twice as
fast as an update from Python, and no code path can go round it.

Rules shared by all of them: both balances of a movement are touched in the order of their location's key, so
that two movements in opposite directions cannot deadlock; a balance is updated first and inserted only when no
row was there, because INSERT ... ON CONFLICT checks the row proposed for insertion and would refuse a
negative movement whose sum is fine.
"""

from __future__ import annotations

import pgtrigger

_ADD_TO_BALANCE = """
    UPDATE stock_balance SET {column} = {column} + ({amount})
        WHERE item_id = {item} AND location_id = {location};
    IF NOT FOUND THEN
        INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved, reserved_ahead, on_order)
            SELECT {item}, id, kind IN ('store', 'van', 'quarantine', 'transit'), 0, 0, 0, 0
            FROM stock_location WHERE id = {location}
            ON CONFLICT (item_id, location_id) DO NOTHING;
        UPDATE stock_balance SET {column} = {column} + ({amount})
            WHERE item_id = {item} AND location_id = {location};
    END IF;
"""


_ADD_TO_BATCH = """
    UPDATE stock_batchbalance SET on_hand = on_hand + ({amount})
        WHERE item_id = NEW.item_id AND location_id = {location} AND batch = NEW.batch;
    IF NOT FOUND THEN
        INSERT INTO stock_batchbalance (item_id, location_id, batch, physical, on_hand)
            SELECT NEW.item_id, id, NEW.batch, kind IN ('store', 'van', 'quarantine', 'transit'), 0
            FROM stock_location WHERE id = {location}
            ON CONFLICT (item_id, location_id, batch) DO NOTHING;
        UPDATE stock_batchbalance SET on_hand = on_hand + ({amount})
            WHERE item_id = NEW.item_id AND location_id = {location} AND batch = NEW.batch;
    END IF;
"""


def _add_batch(*, location: str, amount: str) -> str:
    return _ADD_TO_BATCH.format(location=location, amount=amount)


def _add(column: str, *, item: str, location: str, amount: str) -> str:
    return _ADD_TO_BALANCE.format(column=column, item=item, location=location, amount=amount)


MOVEMENT_CHECKS = pgtrigger.Trigger(
    name="movement_checks",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert,
    declare=[("tracked", "text"), ("place", "bigint"), ("of_item", "bigint")],
    func="""
        IF NEW.unit_cost IS NOT NULL THEN
            -- Receipts of one item go one after the other, for the moving average. Before any row is locked: after
            -- the balances, two receipts in longer transactions could each hold what the other waits for.
            PERFORM pg_advisory_xact_lock(20170133, NEW.item_id::integer);
        END IF;
        IF NEW.corrects_id IS NOT NULL AND NOT EXISTS (
            SELECT FROM stock_movement WHERE id = NEW.corrects_id AND kind <> 'correct'
                AND (item_id, quantity, source_id, destination_id, batch)
                    = (NEW.item_id, NEW.quantity, NEW.destination_id, NEW.source_id, NEW.batch)
                AND (serial_id, unit_cost) IS NOT DISTINCT FROM (NEW.serial_id, NEW.unit_cost)
        ) THEN
            RAISE EXCEPTION 'movement % is not the reverse of movement %, which it corrects', NEW.id, NEW.corrects_id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_correction_reverses';
        END IF;
        SELECT tracking INTO tracked FROM stock_item WHERE id = NEW.item_id;
        IF tracked = 'serial' AND NEW.serial_id IS NULL THEN
            RAISE EXCEPTION 'item % is tracked by serial number: the movement must name one', NEW.item_id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_serial_named';
        END IF;
        IF tracked = 'batch' AND NEW.batch = '' THEN
            RAISE EXCEPTION 'item % is tracked by batch: the movement must name one', NEW.item_id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_batch_named';
        END IF;
        IF NEW.serial_id IS NOT NULL THEN
            SELECT location_id, item_id INTO place, of_item FROM stock_serial WHERE id = NEW.serial_id
                FOR NO KEY UPDATE;
            IF of_item <> NEW.item_id THEN
                RAISE EXCEPTION 'serial % belongs to item %, not %', NEW.serial_id, of_item, NEW.item_id
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_serial_of_item';
            END IF;
            -- A serial that was never moved may come from anywhere that is not a counted place.
            IF place IS NULL THEN
                IF (SELECT kind FROM stock_location WHERE id = NEW.source_id)
                        IN ('store', 'van', 'quarantine', 'transit') THEN
                    RAISE EXCEPTION 'serial % has never been received: it cannot leave location %',
                        NEW.serial_id, NEW.source_id
                        USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_serial_place';
                END IF;
            ELSIF place <> NEW.source_id THEN
                RAISE EXCEPTION 'serial % is at location %, not at %', NEW.serial_id, place, NEW.source_id
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_movement_serial_place';
            END IF;
        END IF;
        RETURN NEW;
    """,
)

MOVEMENT_POSTS = pgtrigger.Trigger(
    name="movement_posts",
    when=pgtrigger.After,
    operation=pgtrigger.Insert,
    declare=[("came", "bigint"), ("held", "bigint"), ("latest", "numeric"), ("since", "timestamptz")],
    func=f"""
        IF NEW.source_id < NEW.destination_id THEN
            {_add("on_hand", item="NEW.item_id", location="NEW.source_id", amount="-NEW.quantity")}
            {_add("on_hand", item="NEW.item_id", location="NEW.destination_id", amount="NEW.quantity")}
        ELSE
            {_add("on_hand", item="NEW.item_id", location="NEW.destination_id", amount="NEW.quantity")}
            {_add("on_hand", item="NEW.item_id", location="NEW.source_id", amount="-NEW.quantity")}
        END IF;
        IF NEW.serial_id IS NOT NULL THEN
            UPDATE stock_serial SET location_id = NEW.destination_id WHERE id = NEW.serial_id;
        ELSIF NEW.batch <> '' AND (SELECT tracking FROM stock_item WHERE id = NEW.item_id) = 'batch' THEN
            -- Of other items a batch is only a note: it may be left out, so nothing can be added up by it.
            -- After the balances, and in the same order: whoever holds a batch's row holds the balance too.
            IF NEW.source_id < NEW.destination_id THEN
                {_add_batch(location="NEW.source_id", amount="-NEW.quantity")}
                {_add_batch(location="NEW.destination_id", amount="NEW.quantity")}
            ELSE
                {_add_batch(location="NEW.destination_id", amount="NEW.quantity")}
                {_add_batch(location="NEW.source_id", amount="-NEW.quantity")}
            END IF;
        END IF;
        IF NEW.unit_cost IS NOT NULL THEN
            -- The moving average over all that the firm holds.
            came := CASE WHEN NEW.kind = 'correct' THEN -NEW.quantity ELSE NEW.quantity END;
            SELECT COALESCE(sum(on_hand), 0) - came INTO held FROM stock_balance
                WHERE item_id = NEW.item_id AND physical;
            -- A receipt that is posted late counts from when the last one before it did: averages follow each other,
            -- and the one in force at a moment is one entry of the index.
            SELECT average, at INTO latest, since FROM stock_itemcost
                WHERE item_id = NEW.item_id ORDER BY at DESC, id DESC LIMIT 1;
            INSERT INTO stock_itemcost (item_id, movement_id, at, quantity, unit_cost, held_before, average)
                VALUES (NEW.item_id, NEW.id, GREATEST(NEW.at, since), came, NEW.unit_cost, held,
                    CASE WHEN latest IS NULL THEN NEW.unit_cost
                         WHEN held + came <= 0 THEN latest
                         ELSE GREATEST((held * latest + came * NEW.unit_cost) / (held + came), 0) END);
        END IF;
        -- A posting for a time before a snapshot belongs into it. The newest moment is asked first: it is one
        -- index entry, and almost every movement is newer.
        IF NEW.at < (SELECT max(moment) FROM stock_snapshot) THEN
            INSERT INTO stock_snapshotline (snapshot_id, item_id, location_id, on_hand)
                SELECT s.id, NEW.item_id, e.location_id, e.amount
                FROM stock_snapshot s, (VALUES (NEW.source_id, -NEW.quantity), (NEW.destination_id, NEW.quantity))
                    AS e (location_id, amount)
                WHERE s.moment > NEW.at
                ORDER BY s.id, e.location_id
                ON CONFLICT (snapshot_id, item_id, location_id)
                    DO UPDATE SET on_hand = stock_snapshotline.on_hand + EXCLUDED.on_hand;
        END IF;
        RETURN NEW;
    """,
)

SERIAL_PLACE_BY_MOVEMENTS = pgtrigger.Trigger(
    name="place_by_movements",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert | pgtrigger.UpdateOf("location_id", "item_id", "number") | pgtrigger.Delete,
    func="""
        IF TG_OP = 'DELETE' THEN
            IF OLD.location_id IS NOT NULL THEN
                RAISE EXCEPTION 'serial % has movements and cannot be deleted', OLD.number
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_serial_by_movements';
            END IF;
            RETURN OLD;
        END IF;
        IF pg_trigger_depth() < 2 AND (
            (TG_OP = 'INSERT' AND NEW.location_id IS NOT NULL)
            OR (TG_OP = 'UPDATE' AND (NEW.location_id, NEW.item_id, NEW.number)
                IS DISTINCT FROM (OLD.location_id, OLD.item_id, OLD.number))
        ) THEN
            RAISE EXCEPTION 'the place of serial % changes by movements only', NEW.number
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_serial_by_movements';
        END IF;
        RETURN NEW;
    """,
)

BALANCE_BY_TRIGGERS = pgtrigger.Trigger(
    name="by_triggers",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    func="""
        IF pg_trigger_depth() < 2 THEN
            RAISE EXCEPTION 'balances change by movements, reservations and orders only'
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_balance_by_triggers';
        END IF;
        RETURN COALESCE(NEW, OLD);
    """,
)

def _by_triggers(what: str, constraint: str) -> pgtrigger.Trigger:
    return pgtrigger.Trigger(
        name="by_triggers",
        when=pgtrigger.Before,
        operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
        func=f"""
            IF pg_trigger_depth() < 2 THEN
                RAISE EXCEPTION '{what} change by movements only'
                    USING ERRCODE = 'check_violation', CONSTRAINT = '{constraint}';
            END IF;
            RETURN COALESCE(NEW, OLD);
        """,
    )


BATCH_BALANCE_BY_TRIGGERS = _by_triggers("balances of batches", "stock_batchbalance_by_triggers")
ITEM_COST_BY_TRIGGERS = _by_triggers("average costs", "stock_itemcost_by_triggers")

_RESERVED_COLUMN = """
        IF {row}.ahead THEN
            {ahead}
        ELSE
            {firm}
        END IF;
"""


def _reserve(row: str, sign: str) -> str:
    place = {"item": f"{row}.item_id", "location": f"{row}.location_id", "amount": f"{sign}{row}.quantity"}
    return _RESERVED_COLUMN.format(row=row, ahead=_add("reserved_ahead", **place), firm=_add("reserved", **place))


RESERVATION_POSTS = pgtrigger.Trigger(
    name="reservation_posts",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    func=f"""
        IF TG_OP <> 'INSERT' AND OLD.state = 'open' THEN
            {_reserve("OLD", "-")}
        END IF;
        IF TG_OP <> 'DELETE' AND NEW.state = 'open' THEN
            {_reserve("NEW", "")}
        END IF;
        RETURN NULL;
    """,
)

ORDER_LINE_POSTS = pgtrigger.Trigger(
    name="order_line_posts",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    declare=[("place", "bigint"), ("live", "boolean")],
    func=f"""
        IF TG_OP = 'UPDATE' AND (NEW.order_id, NEW.item_id) IS DISTINCT FROM (OLD.order_id, OLD.item_id) THEN
            RAISE EXCEPTION 'an order line keeps its order and item: delete it and add another'
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_orderline_fixed';
        END IF;
        -- Shared lock: an order that is being placed meanwhile would not see this line, nor this line its state.
        SELECT destination_id, state = 'placed' INTO place, live FROM stock_order
            WHERE id = COALESCE(NEW.order_id, OLD.order_id) FOR SHARE;
        IF live THEN
            IF TG_OP = 'INSERT' THEN
                {_add("on_order", item="NEW.item_id", location="place", amount="NEW.quantity - NEW.received")}
            ELSIF TG_OP = 'DELETE' THEN
                {_add("on_order", item="OLD.item_id", location="place", amount="OLD.received - OLD.quantity")}
            ELSE
                {_add("on_order", item="NEW.item_id", location="place",
                      amount="NEW.quantity - NEW.received - OLD.quantity + OLD.received")}
            END IF;
        END IF;
        RETURN NULL;
    """,
)

ORDER_POSTS = pgtrigger.Trigger(
    name="order_posts",
    when=pgtrigger.After,
    operation=pgtrigger.UpdateOf("state", "destination_id"),
    declare=[("line", "record")],
    func=f"""
        IF OLD.state = 'placed' AND NEW.state = 'placed' AND OLD.destination_id <> NEW.destination_id THEN
            RAISE EXCEPTION 'order % is placed: its destination is fixed', NEW.number
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_order_destination_fixed';
        END IF;
        IF (OLD.state = 'placed') IS DISTINCT FROM (NEW.state = 'placed') THEN
            FOR line IN SELECT item_id, quantity - received AS open FROM stock_orderline
                    WHERE order_id = NEW.id AND quantity > received ORDER BY item_id LOOP
                IF NEW.state = 'placed' THEN
                    {_add("on_order", item="line.item_id", location="NEW.destination_id", amount="line.open")}
                ELSE
                    {_add("on_order", item="line.item_id", location="NEW.destination_id", amount="-line.open")}
                END IF;
            END LOOP;
        END IF;
        RETURN NULL;
    """,
)

LEVEL_HAS_BALANCE = pgtrigger.Trigger(
    name="level_has_balance",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.UpdateOf("item_id", "location_id", "minimum") | pgtrigger.Delete,
    # A level without a balance row would be missing from the list of levels exactly when nothing is there. The least
    # quantity is kept with the balance, so that what is short is known from one row.
    func="""
        IF TG_OP <> 'INSERT' AND (TG_OP = 'DELETE'
                OR (OLD.item_id, OLD.location_id) IS DISTINCT FROM (NEW.item_id, NEW.location_id)) THEN
            UPDATE stock_balance SET level_minimum = 0
                WHERE item_id = OLD.item_id AND location_id = OLD.location_id AND level_minimum <> 0;
        END IF;
        IF TG_OP <> 'DELETE' THEN
            INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved, reserved_ahead, on_order)
                SELECT NEW.item_id, id, kind IN ('store', 'van', 'quarantine', 'transit'), 0, 0, 0, 0
                FROM stock_location WHERE id = NEW.location_id
                ON CONFLICT (item_id, location_id) DO NOTHING;
            UPDATE stock_balance SET level_minimum = NEW.minimum
                WHERE item_id = NEW.item_id AND location_id = NEW.location_id AND level_minimum <> NEW.minimum;
        END IF;
        RETURN NULL;
    """,
)

TRACKING_IS_FIXED = pgtrigger.Trigger(
    name="tracking_is_fixed",
    when=pgtrigger.Before,
    operation=pgtrigger.UpdateOf("tracking"),
    func="""
        IF NEW.tracking <> OLD.tracking AND EXISTS (SELECT 1 FROM stock_movement WHERE item_id = OLD.id) THEN
            RAISE EXCEPTION 'item % has movements: how it is tracked is fixed', OLD.sku
                USING ERRCODE = 'check_violation', CONSTRAINT = 'stock_item_tracking_fixed';
        END IF;
        RETURN NEW;
    """,
)
