"""Where a fitted serial is, in words. The stock app knows no sites: the app that does registers its answer here.

In the ready() of that app's AppConfig: `places.register(queries.serial_places)`, and for where a serial has been
fitted in its life `places.register_fittings(queries.serial_fittings)`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date
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


@dataclass(frozen=True)
class Fitting:
    """A time that a serial was in a device.

    `text` names site, system and mark, or says "At a site" to those who may not know more; then all but the days is
    empty. `until` None: still there. `url` is the site's page, `settings_url` the device's, for those who may open it.
    """

    since: date
    until: date | None
    text: str
    position: str = ""
    circuits: str = ""
    url: str | None = None
    settings_url: str | None = None


# The key of a serial and the person who looks -> every time that it was in a device, first first.
SerialFittings = Callable[[int, "User"], list[Fitting]]


def _never_fitted(_serial_id: int, _user: User) -> list[Fitting]:
    return []


SERIAL_FITTINGS: SerialFittings = _never_fitted


def register_fittings(lookup: SerialFittings) -> None:
    """Name the function that answers from now on."""
    global SERIAL_FITTINGS
    SERIAL_FITTINGS = lookup


def serial_fittings(serial_id: int, user: User) -> list[Fitting]:
    """Every time that the serial was in a device, as registered. The statements of the registered function."""
    return SERIAL_FITTINGS(serial_id, user)
