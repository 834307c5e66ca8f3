"""What every page shows around its own content."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from config.accounts.rights import Right

# (right, address name, label): the menu holds what the role may open.
MENU = (
    (Right.SEE_STOCK, "maintenance:stores", "Stores"),
    (Right.SEE_VISITS, "maintenance:visits", "Visits"),
    (Right.SEE_VISITS, "maintenance:due", "Due and overdue"),
    (Right.SEE_PROPOSALS, "maintenance:proposals", "Swap proposals"),
    (Right.SEE_SITES, "installs:sites", "Sites"),
    (Right.SEE_SITES, "installs:loops", "Loops"),
    (Right.SEE_JOBS, "maintenance:jobs", "Nightly work"),
)
# A second row on the pages of the stores.
STORES_MENU = (
    (Right.SEE_STOCK, "maintenance:stores", "Today"),
    (Right.SEE_STOCK, "stock:levels", "Levels"),
    (Right.SEE_STOCK, "stock:transfers", "Transfers"),
    (Right.SEE_STOCK, "stock:counts", "Counts"),
    (Right.SEE_STOCK, "stock:orders", "Orders"),
    (Right.SEE_STOCK, "stock:plan", "What to hold"),
    (Right.SEE_STOCK, "stock:scan-box", "Scan or find"),
    (Right.MOVE_STOCK, "stock:top_up", "Van top-up"),
    (Right.VAN_STOCK, "stock:vans", "Vans"),
    (Right.SEE_STOCK, "stock:quarantine", "Quarantine"),
    (Right.SEE_STOCK, "stock:suppliers", "Suppliers"),
    (Right.SEE_STOCK, "stock:kits", "Complete detectors"),
    (Right.ORDER_STOCK, "maintenance:range_studies", "Fewer variants"),
    (Right.RECALL_BATCHES, "maintenance:recalls", "Recalls"),
    (Right.SEE_STOCK, "stock:as_of", "Stock as of"),
    (Right.ORDER_STOCK, "stock:value", "Value"),
    (Right.MOVE_STOCK, "stock:bin_stores", "Bins"),
    (Right.MOVE_STOCK, "stock:checks", "Ledger checks"),
    (Right.ORDER_STOCK, "stock:imports", "Tables in"),
    (Right.SEE_STOCK, "stock:exports", "Lists out"),
)
# The rest opens under "More".
MOST_IN_A_ROW = 7


def navigation(request: HttpRequest) -> dict[str, Any]:
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"menu": [], "submenu": [], "submenu_more": [], "demo": settings.LOCAL}
    stores = [(name, label) for right, name, label in STORES_MENU if user.has_right(right)]
    here = request.resolver_match.view_name if request.resolver_match else ""
    if not here.startswith(("stock:", "maintenance:stores", "maintenance:range", "maintenance:recall")):
        stores = []
    return {
        "menu": [(name, label) for right, name, label in MENU if user.has_right(right)],
        "submenu": stores[:MOST_IN_A_ROW],
        "submenu_more": stores[MOST_IN_A_ROW:],
        "demo": settings.LOCAL,
    }
