"""What a person may see of the as-installed record: everything hangs on the sites visible to them.

Pages and endpoints start from these querysets only, so that none can forget the scope.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import QuerySet

from installs.models import Circuit, CircuitPlace, Customer, Device, Document, Panel, Site, System

if TYPE_CHECKING:
    from config.accounts.models import User


def sites(user: User) -> QuerySet[Site]:
    """Sites without their access notes and search text: who needs the notes asks for them by name."""
    return Site.objects.visible_to(user).defer("access_notes", "search")


def customers(user: User) -> QuerySet[Customer]:
    return Customer.objects.filter(pk__in=Site.objects.visible_to(user).values("customer_id"))


def systems(user: User) -> QuerySet[System]:
    return System.objects.filter(site__in=Site.objects.visible_to(user))


def panels(user: User) -> QuerySet[Panel]:
    return Panel.objects.filter(system__site__in=Site.objects.visible_to(user))


def circuits(user: User) -> QuerySet[Circuit]:
    return Circuit.objects.filter(panel__system__site__in=Site.objects.visible_to(user))


def circuit_places(user: User) -> QuerySet[CircuitPlace]:
    return CircuitPlace.objects.filter(circuit__panel__system__site__in=Site.objects.visible_to(user))


def devices(user: User) -> QuerySet[Device]:
    """Devices, removed ones included: their history stays readable."""
    return Device.objects.filter(system__site__in=Site.objects.visible_to(user))


def documents(user: User) -> QuerySet[Document]:
    return Document.objects.filter(site__in=Site.objects.visible_to(user))
