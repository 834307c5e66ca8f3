from django.apps import AppConfig


class MaintenanceConfig(AppConfig):
    name = "maintenance"
    default_auto_field = "django.db.models.BigAutoField"
