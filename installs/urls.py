"""Addresses of the pages."""

from __future__ import annotations

from django.urls import path

from installs import pages

app_name = "installs"
urlpatterns = [
    path("", pages.sites, name="sites"),
    path("<int:pk>/", pages.site, name="site"),
    path("<int:pk>/read-log/", pages.read_log, name="read-log"),
    path("device/<int:pk>/", pages.device, name="device"),
    path("device/<int:pk>/settings/", pages.device_settings, name="device-settings"),
    path("document/<int:pk>/", pages.document, name="document"),
]
