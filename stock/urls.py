"""Addresses of the pages."""

from __future__ import annotations

from django.urls import path

from stock.pages import items

app_name = "stock"
urlpatterns = [
    path("", items.levels, name="levels"),
    path("items/<int:pk>/", items.item, name="item"),
    path("items/<int:pk>/transfer/", items.transfer, name="transfer"),
]
