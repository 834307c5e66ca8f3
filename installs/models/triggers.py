"""Triggers of the as-installed record."""

from __future__ import annotations

import pgtrigger

# Checked at commit, because fitting a serial is a movement and a device record in one transaction, in
# either order. The other half, on the serial's own table, is in the first migration of this app: the stock
# app must not know of devices.
SERIAL_PLACE_CHECK = """
    SELECT l.kind = 'site', EXISTS (
        SELECT 1 FROM installs_device d WHERE d.serial_id = checked AND d.removed_on IS NULL
    ) INTO at_site, in_device
    FROM stock_serial s LEFT JOIN stock_location l ON l.id = s.location_id WHERE s.id = checked;
    IF in_device AND at_site IS NOT TRUE THEN
        RAISE EXCEPTION 'serial % is recorded in a device but the ledger does not have it at a site', checked
            USING ERRCODE = 'check_violation', CONSTRAINT = 'installs_serial_one_place';
    ELSIF at_site AND NOT in_device THEN
        RAISE EXCEPTION 'the ledger has serial % at a site but no device holds it', checked
            USING ERRCODE = 'check_violation', CONSTRAINT = 'installs_serial_one_place';
    END IF;
"""

DEVICE_SERIAL_AT_SITE = pgtrigger.Trigger(
    name="serial_at_site",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.UpdateOf("serial_id", "removed_on") | pgtrigger.Delete,
    timing=pgtrigger.Deferred,
    declare=[("checked", "bigint"), ("at_site", "boolean"), ("in_device", "boolean")],
    func=f"""
        FOR checked IN
            SELECT DISTINCT id FROM unnest(ARRAY[
                CASE WHEN TG_OP <> 'DELETE' THEN NEW.serial_id END,
                CASE WHEN TG_OP <> 'INSERT' THEN OLD.serial_id END
            ]) AS id WHERE id IS NOT NULL
        LOOP
            {SERIAL_PLACE_CHECK}
        END LOOP;
        RETURN NULL;
    """,
)

# In plain SQL for the migration (see above).
SERIAL_IN_DEVICE_SQL = f"""
CREATE FUNCTION installs_serial_in_device() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    checked bigint := NEW.id;
    at_site boolean;
    in_device boolean;
BEGIN
    {SERIAL_PLACE_CHECK}
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER installs_serial_in_device AFTER INSERT OR UPDATE OF location_id ON stock_serial
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION installs_serial_in_device();
"""
SERIAL_IN_DEVICE_REVERSE_SQL = """
DROP TRIGGER IF EXISTS installs_serial_in_device ON stock_serial;
DROP FUNCTION IF EXISTS installs_serial_in_device();
"""
