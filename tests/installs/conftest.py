"""Places and a site that most tests of this app need."""

from __future__ import annotations

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from stock.models import Location
from tests.installs.kit import Kit, site_with


@pytest.fixture
def kit(branch: Branch) -> Kit:
    return site_with(branch)


@pytest.fixture
def van(branch: Branch, engineer: User) -> Location:
    return make.VanFactory.create(branch=branch, engineer=engineer)


@pytest.fixture
def quarantine(branch: Branch) -> Location:
    return make.LocationFactory.create(branch=branch, kind=Location.Kind.QUARANTINE)


@pytest.fixture
def sites_place(branch: Branch) -> Location:
    return make.SitesPlaceFactory.create()
