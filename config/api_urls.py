"""The REST interface: each app registers its own endpoints."""

from __future__ import annotations

from rest_framework.routers import APIRootView, DefaultRouter

import config.accounts.api
import installs.api
import installs.api_design
import installs.api_loops
import installs.api_measurements
import installs.api_supply
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
# Before the records: of two with one prefix, the root names the later one's list.
installs.api_loops.register(router)
installs.api.register(router)
installs.api_measurements.register(router)
installs.api_design.register(router)
installs.api_supply.register(router)
maintenance.api.register(router)

urlpatterns = router.urls
