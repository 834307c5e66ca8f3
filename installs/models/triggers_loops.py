"""Triggers that keep loop tables and the bands of voltage inputs true to the record, whoever writes it."""

from __future__ import annotations

import pgtrigger

# The functions below are made of constants of this module only.
# ruff: noqa: S608
# Rows that are stale already are written again on purpose: the update must wait for one that is being computed.
_STALE = "UPDATE installs_looptable SET stale = TRUE WHERE circuit_id"
_OF_DEVICE = "IN (SELECT circuit_id FROM installs_circuitplace WHERE device_id = NEW.id)"

CIRCUIT_HAS_TABLE = pgtrigger.Trigger(
    name="has_table",
    when=pgtrigger.After,
    operation=pgtrigger.Insert,
    func="""
        INSERT INTO installs_looptable (circuit_id, stale, outcome, cause, cure, "table")
            VALUES (NEW.id, TRUE, 'unknown', '', '', '{}');
        RETURN NULL;
    """,
)
CIRCUIT_STALE = pgtrigger.Trigger(
    name="loop_stale",
    when=pgtrigger.After,
    operation=pgtrigger.Update,
    func=f"{_STALE} = NEW.id; RETURN NULL;",
)
PLACE_STALE = pgtrigger.Trigger(
    name="loop_stale",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    func=f"""
        {_STALE} IN (
            CASE WHEN TG_OP <> 'DELETE' THEN NEW.circuit_id END, CASE WHEN TG_OP <> 'INSERT' THEN OLD.circuit_id END
        );
        RETURN NULL;
    """,
)
DEVICE_STALE = pgtrigger.Trigger(
    name="loop_stale",
    when=pgtrigger.After,
    operation=pgtrigger.UpdateOf("mark", "board_id", "hand_wired", "removed_on", "fitted_on"),
    func=f"{_STALE} {_OF_DEVICE}; RETURN NULL;",
)
SITE_STALE = pgtrigger.Trigger(
    name="loop_stale",
    when=pgtrigger.After,
    operation=pgtrigger.UpdateOf("environmental_class"),
    func=f"""
        {_STALE} IN (
            SELECT c.id FROM installs_circuit c JOIN installs_panel p ON p.id = c.panel_id
                JOIN installs_system s ON s.id = p.system_id WHERE s.site_id = NEW.id
        );
        RETURN NULL;
    """,
)
BAND_STALE = pgtrigger.Trigger(
    name="loop_stale",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    func=f"""
        {_STALE} IN (SELECT id FROM installs_circuit WHERE profile_id IN (
            CASE WHEN TG_OP <> 'DELETE' THEN NEW.profile_id END, CASE WHEN TG_OP <> 'INSERT' THEN OLD.profile_id END
        ));
        RETURN NULL;
    """,
)

# Terminal volts across the loop behind a pull-up: V = Vref R / (R + Rp), so R = Rp V / (Vref - V). The band is drawn in
# by the pull-up's tolerance: what is left reads right whatever the pull-up really is. The same formula as
# installs.rules.panel_inputs, which the tests compare with this one.
BAND_OHM_FROM_VOLTS = pgtrigger.Trigger(
    name="ohm_from_volts",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert | pgtrigger.Update,
    declare=[("input", "installs_inputprofile%ROWTYPE")],
    func="""
        IF NEW.low_v IS NULL AND NEW.high_v IS NULL THEN
            RETURN NEW;
        END IF;
        SELECT * INTO input FROM installs_inputprofile WHERE id = NEW.profile_id;
        IF input.reference_v IS NULL THEN
            RAISE EXCEPTION 'input % has no reference voltage and pull-up, so its bands cannot be in volts', input.code
                USING ERRCODE = 'check_violation', CONSTRAINT = 'installs_inputband_volts';
        END IF;
        IF COALESCE(NEW.low_v, 0) < 0 OR COALESCE(NEW.low_v, 0) >= input.reference_v
            OR NEW.high_v <= COALESCE(NEW.low_v, 0) THEN
            RAISE EXCEPTION 'band % from % V to % V does not lie between 0 V and %', NEW.state, NEW.low_v, NEW.high_v,
                input.reference_v USING ERRCODE = 'check_violation', CONSTRAINT = 'installs_inputband_volts';
        END IF;
        NEW.low_v := COALESCE(NEW.low_v, 0);
        NEW.low_ohm := input.pull_up_ohm * NEW.low_v / (input.reference_v - NEW.low_v)
            * (1 + input.pull_up_tolerance_percent / 100);
        NEW.high_ohm := CASE WHEN NEW.high_v < input.reference_v THEN
            input.pull_up_ohm * NEW.high_v / (input.reference_v - NEW.high_v)
                * (1 - input.pull_up_tolerance_percent / 100) END;
        RETURN NEW;
    """,
)
PROFILE_VOLTS = pgtrigger.Trigger(
    name="bands_follow",
    when=pgtrigger.After,
    operation=pgtrigger.UpdateOf("reference_v", "pull_up_ohm", "pull_up_tolerance_percent"),
    func="UPDATE installs_inputband SET low_v = low_v WHERE profile_id = NEW.id AND low_v IS NOT NULL; RETURN NULL;",
)

# The catalogue and the firm's settings must not know of circuits, so their tables get these from here.
CATALOGUE_STALE_SQL = f"""
CREATE FUNCTION installs_loop_stale() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_TABLE_NAME = 'stock_topology' THEN
        {_STALE} IN (
            SELECT id FROM installs_circuit WHERE topology_id = NEW.id
            UNION SELECT circuit_id FROM installs_circuitplace WHERE topology_id = NEW.id
        );
    ELSIF TG_TABLE_NAME = 'stock_board' THEN
        {_STALE} IN (
            SELECT p.circuit_id FROM installs_circuitplace p JOIN installs_device d ON d.id = p.device_id
            WHERE d.board_id = NEW.id
        );
    ELSIF TG_TABLE_NAME = 'accounts_firm' THEN
        -- A right table with more margin than is now asked for stays right.
        UPDATE installs_looptable SET stale = TRUE
            WHERE stale OR outcome <> 'right' OR least_margin_percent < NEW.loop_margin_percent;
    ELSE
        {_STALE} IN (SELECT id FROM installs_circuit WHERE cable_type_id = NEW.id);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER installs_loop_stale AFTER UPDATE OF circuit ON stock_topology
    FOR EACH ROW EXECUTE FUNCTION installs_loop_stale();
CREATE TRIGGER installs_loop_stale AFTER UPDATE OF presets_values, eol_ohm, alarm_ohm, mask_ohm, tolerance_percent
    ON stock_board FOR EACH ROW EXECUTE FUNCTION installs_loop_stale();
CREATE TRIGGER installs_loop_stale
    AFTER UPDATE OF ohm_per_km_20, temperature_coefficient_per_k, tolerance_percent, area_mm2
    ON stock_cabletype FOR EACH ROW EXECUTE FUNCTION installs_loop_stale();
CREATE TRIGGER installs_loop_stale AFTER UPDATE OF loop_margin_percent ON accounts_firm
    FOR EACH ROW EXECUTE FUNCTION installs_loop_stale();
"""
CATALOGUE_STALE_REVERSE_SQL = """
DROP TRIGGER IF EXISTS installs_loop_stale ON stock_topology;
DROP TRIGGER IF EXISTS installs_loop_stale ON stock_board;
DROP TRIGGER IF EXISTS installs_loop_stale ON stock_cabletype;
DROP TRIGGER IF EXISTS installs_loop_stale ON accounts_firm;
DROP FUNCTION IF EXISTS installs_loop_stale();
"""
