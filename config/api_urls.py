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
import maintenance.api_range
import maintenance.api_recalls
import maintenance.api_visit_parts
import stock.api
import stock.api_counting
import stock.api_kits
import stock.api_orders
import stock.api_plan
import stock.api_serials
import stock.api_transfers
import stock.api_value
from config.accounts.rights import Right


class Root(APIRootView):
    """Every list of the REST interface. Schema at /api/schema/, documentation at /api/docs/."""

    right = Right.HOME


router = DefaultRouter()
router.APIRootView = Root
config.accounts.api.register(router)
stock.api.register(router)
stock.api_counting.register(router)
stock.api_kits.register(router)
stock.api_orders.register(router)
stock.api_plan.register(router)
stock.api_value.register(router)
stock.api_transfers.register(router)
# Before the records: of two with one prefix, the root names the later one's list.
installs.api_loops.register(router)
installs.api.register(router)
installs.api_measurements.register(router)
installs.api_design.register(router)
installs.api_supply.register(router)
maintenance.api.register(router)
maintenance.api_range.register(router)
stock.api_serials.register(router)
maintenance.api_recalls.register(router)
maintenance.api_visit_parts.register(router)

urlpatterns = router.urls
