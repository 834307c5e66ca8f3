"""What every page shows around its own content."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from config.accounts.rights import Right

# (right, address name, label): the menu holds what the role may open.
MENU = (
    (Right.SEE_STOCK, "stock:levels", "Stock"),
    (Right.SEE_VISITS, "maintenance:visits", "Visits"),
    (Right.SEE_VISITS, "maintenance:due", "Due and overdue"),
    (Right.SEE_PROPOSALS, "maintenance:proposals", "Swap proposals"),
    (Right.SEE_SITES, "installs:sites", "Sites"),
    (Right.SEE_SITES, "installs:loops", "Loops"),
    (Right.SEE_JOBS, "maintenance:jobs", "Nightly work"),
)
# A second row on the pages of the stores.
STORES_MENU = (
    (Right.SEE_STOCK, "stock:levels", "Levels"),
)


def navigation(request: HttpRequest) -> dict[str, Any]:
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"menu": [], "submenu": [], "demo": settings.LOCAL}
    submenu = [(name, label) for right, name, label in STORES_MENU if user.has_right(right)]
    return {
        "menu": [(name, label) for right, name, label in MENU if user.has_right(right)],
        "submenu": submenu if request.path.startswith("/stock/") and len(submenu) > 1 else [],
        "demo": settings.LOCAL,
    }
