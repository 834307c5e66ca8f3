from django.apps import AppConfig


class StockConfig(AppConfig):
    name = "stock"
    default_auto_field = "django.db.models.BigAutoField"
