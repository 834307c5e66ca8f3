"""The REST interface: each app registers its own endpoints."""

from __future__ import annotations

from rest_framework.routers import APIRootView, DefaultRouter

import config.accounts.api
import installs.api
import maintenance.api
import stock.api
from config.accounts.rights import Right


class Root(APIRootView):
    """Every list of the REST interface. Schema at /api/schema/, documentation at /api/docs/."""

    right = Right.HOME


router = DefaultRouter()
router.APIRootView = Root
config.accounts.api.register(router)
stock.api.register(router)
installs.api.register(router)
maintenance.api.register(router)

urlpatterns = router.urls
