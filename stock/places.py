"""Where a fitted serial is, in words. The stock app knows no sites: the app that does registers its answer here.

In the ready() of that app's AppConfig: `places.register(queries.serial_places)`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from config.accounts.models import User


@dataclass(frozen=True)
class PlaceText:
    """A place to show: words, and an address when the person may open it."""

    text: str
    url: str | None = None


# Keys of serials and the person who looks -> the places that this person may read about, in a fixed number of
# statements. Serials left out are shown as fitted at a site, without more.
SerialPlaces = Callable[[Collection[int], "User"], Mapping[int, PlaceText]]


def _unknown(_serial_ids: Collection[int], _user: User) -> Mapping[int, PlaceText]:
    return {}


SERIAL_PLACES: SerialPlaces = _unknown


def register(lookup: SerialPlaces) -> None:
    """Name the function that answers from now on."""
    global SERIAL_PLACES
    SERIAL_PLACES = lookup


def serial_places(serial_ids: Collection[int], user: User) -> Mapping[int, PlaceText]:
    """The places of fitted serials, as registered; nothing is asked for an empty list."""
    return SERIAL_PLACES(serial_ids, user) if serial_ids else {}
