"""Addresses of the sites."""

from __future__ import annotations

from django.urls import path

from installs.pages import circuits, design, diagnosis, diagrams, imports, measurements, sites, supply

app_name = "installs"
urlpatterns = [
    path("", sites.sites, name="sites"),
    path("design/", design.design, name="design"),
    path("<int:pk>/", sites.site, name="site"),
    path("<int:pk>/read-log/", sites.read_log, name="read-log"),
    path("device/<int:pk>/", sites.device, name="device"),
    path("device/<int:pk>/settings/", sites.device_settings, name="device-settings"),
    path("circuit/<int:pk>/", circuits.circuit, name="circuit"),
    path("loops/", circuits.loops, name="loops"),
    path("document/<int:pk>/", sites.document, name="document"),
    path("<int:pk>/wiring/", diagrams.wiring, name="wiring"),
    path("circuit/<int:pk>/diagram/", diagrams.circuit_diagram, name="circuit-diagram"),
    path("supply/<int:pk>/", supply.panel, name="supply"),
    path("device/<int:pk>/power-feed/", supply.power_feed, name="power-feed"),
    path("circuit/<int:pk>/trend/", measurements.trend, name="circuit-trend"),
    path("circuit/<int:pk>/measure/", measurements.measure, name="circuit-measure"),
    path("circuit/<int:pk>/reads/", measurements.reads, name="circuit-reads"),
    path("imports/", imports.imports, name="imports"),
    path("imports/<int:pk>/", imports.one, name="import"),
    path("imports/<int:pk>/report/", imports.report, name="import-report"),
    path("imports/<int:pk>/cancel/", imports.cancel, name="import-cancel"),
    path("imports/<int:pk>/again/", imports.again, name="import-again"),
    path("circuit/<int:pk>/diagnose/", diagnosis.diagnose, name="circuit-diagnose"),
    path("circuit/<int:pk>/diagnose/write/", diagnosis.write_down, name="circuit-write-down"),
]
