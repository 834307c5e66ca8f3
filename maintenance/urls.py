"""Addresses of the pages."""

from __future__ import annotations

from django.urls import URLPattern, path

from maintenance.pages import drift, due, jobs, proposals, visits

app_name = "maintenance"
urlpatterns: list[URLPattern] = [
    path("due/", due.due, name="due"),
    path("drifts/", drift.drifts, name="drifts"),
    path("visits/", visits.visits, name="visits"),
    path("visits/plan/", visits.plan, name="visit-plan"),
    path("visits/<int:pk>/", visits.visit, name="visit"),
    path("visits/<int:pk>/record/", visits.record, name="visit-record"),
    path("visits/<int:pk>/move/", visits.move, name="visit-move"),
    path("proposals/", proposals.proposals, name="proposals"),
    path("proposals/unmet/", proposals.unmet, name="unmet-needs"),
    path("proposals/<int:pk>/", proposals.proposal, name="proposal"),
    path("proposals/<int:pk>/decide/", proposals.decide, name="proposal-decide"),
    path("devices/<int:pk>/swaps/", proposals.device_swaps, name="device-swaps"),
    path("jobs/", jobs.jobs, name="jobs"),
    path("jobs/run/", jobs.run_now, name="run-nightly"),
    path("shortages/", jobs.shortages, name="shortages"),
]
