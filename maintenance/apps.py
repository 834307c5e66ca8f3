from django.apps import AppConfig


class MaintenanceConfig(AppConfig):
    name = "maintenance"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """The site sheet shows what maintenance knows of a site, without the installs app knowing how."""
        from installs.sections import register_section
        from maintenance.queries.sheet import STATEMENTS, sheet_extras

        register_section(sheet_extras, statements=STATEMENTS)
