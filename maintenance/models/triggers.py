"""Triggers of the visits."""

from __future__ import annotations

import pgtrigger
from django.conf import settings

# A measured value belongs to the circuit's own series, which the lower app keeps.
RESULT_IS_MEASUREMENT = pgtrigger.Trigger(
    name="is_measurement",
    when=pgtrigger.After,
    operation=pgtrigger.Insert,
    condition=pgtrigger.Q(new__measured_ohm__isnull=False),
    func="""
        INSERT INTO installs_loopmeasurement
                (circuit_id, measured_on, ohm, place, at_rest, note, source, result_id, by_id, at)
            SELECT r.circuit_id, NEW.done_on, NEW.measured_ohm, 'panel', TRUE, NEW.note, 'result', NEW.id,
                NEW.recorded_by_id, NEW.recorded_at
            FROM maintenance_requirement r WHERE r.id = NEW.requirement_id AND r.circuit_id IS NOT NULL;
        RETURN NULL;
    """,
)

# Which sites an engineer may open follows from the visits; kept beside the sites, because the installs app
# must not know of visits. Days are local days of the firm.
VISIT_OPENS_SITE = pgtrigger.Trigger(
    name="opens_site",
    when=pgtrigger.After,
    operation=pgtrigger.Insert | pgtrigger.UpdateOf("site_id", "engineer_id", "period", "state") | pgtrigger.Delete,
    func=f"""
        IF TG_OP = 'DELETE' OR NEW.state IN ('aborted', 'missed') THEN
            DELETE FROM installs_siteassignment WHERE visit_id = COALESCE(NEW.id, OLD.id);
            RETURN NULL;
        END IF;
        INSERT INTO installs_siteassignment (visit_id, site_id, user_id, first_day, last_day)
            SELECT NEW.id, NEW.site_id, e.user_id,
                (lower(NEW.period) AT TIME ZONE '{settings.TIME_ZONE}')::date,
                (upper(NEW.period) AT TIME ZONE '{settings.TIME_ZONE}')::date
            FROM maintenance_engineer e WHERE e.id = NEW.engineer_id
            ON CONFLICT (visit_id) DO UPDATE SET site_id = EXCLUDED.site_id, user_id = EXCLUDED.user_id,
                first_day = EXCLUDED.first_day, last_day = EXCLUDED.last_day;
        RETURN NULL;
    """,
)
