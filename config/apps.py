from django.apps import AppConfig


class ConfigConfig(AppConfig):
    """Carries the base templates, static files and management commands; it has no models."""

    name = "config"
    label = "config"
