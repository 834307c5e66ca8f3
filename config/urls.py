"""Every address of the service. Pages live under their app, the REST interface under /api/."""

from __future__ import annotations

from django.contrib import admin
from django.urls import include, path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerView

from config import pages

handler404 = "config.pages.not_found"

urlpatterns = [
    path("", pages.home, name="home"),
    path("health/", pages.health, name="health"),
    path("accounts/", include("allauth.urls")),
    path("stock/", include("stock.urls")),
    path("sites/", include("installs.urls")),
    path("work/", include("maintenance.urls")),
    path("api/", include("config.api_urls")),
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path("api/docs/", SpectacularSwaggerView.as_view(url_name="schema"), name="api-docs"),
    path("admin/", admin.site.urls),
]
