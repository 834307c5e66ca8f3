"""Triggers of the visits."""

from __future__ import annotations

import pgtrigger
from django.conf import settings

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
