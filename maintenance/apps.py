from django.apps import AppConfig


class MaintenanceConfig(AppConfig):
    name = "maintenance"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """The site sheet shows what maintenance knows of a site, without the installs app knowing how."""
        from installs.sections import register_section
        from maintenance.queries.sheet import STATEMENTS, sheet_extras
        from maintenance.queries.work_ahead import dead_references, planned_parts
        from stock import work

        register_section(sheet_extras, statements=STATEMENTS)
        # What planned work needs, and which reservations belong to none, without the stock app knowing visits.
        work.register(planned=planned_parts, dead=dead_references)
