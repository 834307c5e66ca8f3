"""Addresses of the pages."""

from django.urls import path

app_name = "installs"
urlpatterns: list = []
