from django.apps import AppConfig


class InstallsConfig(AppConfig):
    name = "installs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from installs.queries.serials import serial_fittings, serial_places
        from stock import places

        # The stock pages show where a fitted serial is without knowing of sites.
        places.register(serial_places)
        places.register_fittings(serial_fittings)
