"""Addresses of the pages."""

from __future__ import annotations

from django.urls import path

from stock import pages

app_name = "stock"
urlpatterns = [
    path("", pages.levels, name="levels"),
    path("items/<int:pk>/", pages.item, name="item"),
    path("items/<int:pk>/transfer/", pages.transfer, name="transfer"),
]
