"""Addresses of the sites."""

from __future__ import annotations

from django.urls import path

from installs.pages import sites

app_name = "installs"
urlpatterns = [
    path("", sites.sites, name="sites"),
    path("<int:pk>/", sites.site, name="site"),
    path("<int:pk>/read-log/", sites.read_log, name="read-log"),
    path("device/<int:pk>/", sites.device, name="device"),
    path("device/<int:pk>/settings/", sites.device_settings, name="device-settings"),
    path("document/<int:pk>/", sites.document, name="document"),
]
