"""Addresses of the pages."""

from __future__ import annotations

from django.urls import URLPattern, path

from maintenance.pages import drift, due, jobs, proposals, range_study, recalls, stores_desk, visit_parts, visits

app_name = "maintenance"
urlpatterns: list[URLPattern] = [
    path("stores/", stores_desk.desk, name="stores"),
    path("due/", due.due, name="due"),
    path("drifts/", drift.drifts, name="drifts"),
    path("visits/", visits.visits, name="visits"),
    path("visits/plan/", visits.plan, name="visit-plan"),
    path("visits/<int:pk>/", visits.visit, name="visit"),
    path("visits/<int:pk>/record/", visits.record, name="visit-record"),
    path("visits/<int:pk>/move/", visits.move, name="visit-move"),
    path("visits/<int:pk>/parts/", visit_parts.parts, name="visit-parts"),
    path("visits/<int:pk>/parts/fit/", visit_parts.fit, name="visit-fit"),
    path("visits/<int:pk>/parts/cover/", visit_parts.put_cover, name="visit-cover"),
    path("visits/<int:pk>/parts/unused/<int:reservation>/", visit_parts.unused, name="visit-unused"),
    path("visits/<int:pk>/parts/take-back/<int:movement>/", visit_parts.take_back, name="visit-take-back"),
    path("recalls/", recalls.recalls, name="recalls"),
    path("recalls/new/<int:item>/", recalls.start, name="recall-start"),
    path("recalls/<int:pk>/", recalls.recall, name="recall"),
    path("recalls/<int:pk>/sites.csv", recalls.sites_csv, name="recall-csv"),
    path("recalls/<int:pk>/refresh/", recalls.refresh, name="recall-refresh"),
    path("recalls/<int:pk>/put-aside/", recalls.put_aside, name="recall-put-aside"),
    path("recalls/<int:pk>/close/", recalls.close, name="recall-close"),
    path("recalls/sites/<int:pk>/join/", recalls.join, name="recall-join"),
    path("recalls/sites/<int:pk>/done/", recalls.tick_off, name="recall-tick"),
    path("proposals/", proposals.proposals, name="proposals"),
    path("proposals/unmet/", proposals.unmet, name="unmet-needs"),
    path("proposals/<int:pk>/", proposals.proposal, name="proposal"),
    path("proposals/<int:pk>/decide/", proposals.decide, name="proposal-decide"),
    path("devices/<int:pk>/swaps/", proposals.device_swaps, name="device-swaps"),
    path("jobs/", jobs.jobs, name="jobs"),
    path("jobs/run/", jobs.run_now, name="run-nightly"),
    path("shortages/", jobs.shortages, name="shortages"),
    path("range/", range_study.studies, name="range_studies"),
    path("range/<int:pk>/", range_study.study, name="range_study"),
    path("range/<int:pk>/positions.csv", range_study.table, name="range_study_csv"),
    path("range/<int:pk>/cancel/", range_study.cancel, name="range_study_cancel"),
    path("range/<int:pk>/again/", range_study.again, name="range_study_again"),
]
