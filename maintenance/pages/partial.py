"""Whether a request wants only the list of a page."""

from __future__ import annotations

from django.http import HttpRequest


def wants_list(request: HttpRequest) -> bool:
    """True for a filter's own request; going back in the browser asks for the whole page again."""
    htmx = request.htmx  # type: ignore[attr-defined]
    return bool(htmx) and not htmx.history_restore_request
