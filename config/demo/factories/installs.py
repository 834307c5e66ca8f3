# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator"
"""Factories of the as-installed record."""

from __future__ import annotations

from datetime import date
from typing import Any

from factory.declarations import LazyAttribute, LazyFunction, SelfAttribute, Sequence, SubFactory
from factory.django import DjangoModelFactory
from factory.helpers import post_generation

from config.demo.factories.accounts import BranchFactory, UserFactory
from config.demo.factories.catalogue import (
    BackplateFactory,
    BoardFactory,
    CableTypeFactory,
    TopologyFactory,
    VariantFactory,
)
from installs.models import (
    Circuit,
    CircuitPlace,
    Customer,
    Device,
    Document,
    InputBand,
    InputProfile,
    Panel,
    PanelType,
    Site,
    System,
)


class CustomerFactory(DjangoModelFactory[Customer]):
    reference = Sequence(lambda n: f"C{n:05d}")
    name = Sequence(lambda n: f"Customer {n}")

    class Meta:
        model = Customer


class SiteFactory(DjangoModelFactory[Site]):
    """A grade 2 site with remote signalling."""

    reference = Sequence(lambda n: f"S{n:05d}")
    customer = SubFactory(CustomerFactory)
    branch = SubFactory(BranchFactory)
    name = Sequence(lambda n: f"Site {n}")
    town = "Invented Town"
    postcode = Sequence(lambda n: f"ZW{n % 99 + 1} 1AA")
    latitude = 52.0
    longitude = -1.0
    grade = 2
    environmental_class = 2
    contract = Site.Contract.SIGNALLED
    in_use_since = date(2024, 3, 4)

    class Meta:
        model = Site


class SystemFactory(DjangoModelFactory[System]):
    site = SubFactory(SiteFactory)

    class Meta:
        model = System


class PanelTypeFactory(DjangoModelFactory[PanelType]):
    code = Sequence(lambda n: f"PANEL-{n}")
    name = Sequence(lambda n: f"Panel {n}")
    grade = 3

    class Meta:
        model = PanelType


class InputProfileFactory(DjangoModelFactory[InputProfile]):
    """A profile without bands; `with_bands=True` adds those of a 1 kΩ and 1 kΩ double end-of-line loop."""

    panel_type = SubFactory(PanelTypeFactory)
    code = Sequence(lambda n: f"profile-{n}")
    topology = SubFactory(TopologyFactory)

    class Meta:
        model = InputProfile
        skip_postgeneration_save = True

    @post_generation
    def with_bands(self: InputProfile, create: bool, given: Any, **_: Any) -> None:
        if create and given:
            for state, low, high in (
                ("tamper", 0, 500), ("normal", 800, 1500), ("alarm", 1600, 3500), ("tamper", 20_000, None),
            ):
                InputBandFactory(profile=self, state=state, low_ohm=low, high_ohm=high)


class InputBandFactory(DjangoModelFactory[InputBand]):
    profile = SubFactory(InputProfileFactory)
    state = InputBand.State.NORMAL
    low_ohm = 800.0
    high_ohm = 1500.0

    class Meta:
        model = InputBand


class PanelFactory(DjangoModelFactory[Panel]):
    system = SubFactory(SystemFactory)
    type = SubFactory(PanelTypeFactory)
    place = "Cupboard"

    class Meta:
        model = Panel


class CircuitFactory(DjangoModelFactory[Circuit]):
    """A double end-of-line circuit in six-core cable whose last device's board carries the resistors."""

    panel = SubFactory(PanelFactory)
    number = Sequence(lambda n: n % 30_000 + 1)
    zone = Sequence(lambda n: f"Zone {n}")
    profile = SubFactory(
        InputProfileFactory, panel_type=SelfAttribute("..panel.type"), topology=SelfAttribute("..topology")
    )
    topology = SubFactory(TopologyFactory)
    cable_type = SubFactory(CableTypeFactory)

    class Meta:
        model = Circuit


LANDINGS = {"red": "+", "black": "-", "blue": "A1", "yellow": "T2", "green": None, "white": None}


class DeviceFactory(DjangoModelFactory[Device]):
    """A detector on two signalling wires with a board; two cores are spare. It carries no serial."""

    system = SubFactory(SystemFactory)
    mark = Sequence(lambda n: f"D{n}")
    position = Sequence(lambda n: f"Position {n}")
    variant = SubFactory(VariantFactory)
    backplate = SubFactory(BackplateFactory, family=SelfAttribute("..variant.family"))
    board = SubFactory(BoardFactory)
    signalling_wires = 2
    cable_type = SubFactory(CableTypeFactory)
    core_landings = LazyFunction(lambda: dict(LANDINGS))
    settings = LazyAttribute(lambda d: dict(d.variant.factory_settings))
    fitted_on = date(2024, 3, 4)

    class Meta:
        model = Device


class CircuitPlaceFactory(DjangoModelFactory[CircuitPlace]):
    """The first place on a circuit; the device belongs to the circuit's system."""

    circuit = SubFactory(CircuitFactory)
    device = SubFactory(DeviceFactory, system=SelfAttribute("..circuit.panel.system"))
    order = 1
    functions = LazyFunction(lambda: ["alarm", "tamper"])
    run_m = 25.0

    class Meta:
        model = CircuitPlace


class DocumentFactory(DjangoModelFactory[Document]):
    site = SubFactory(SiteFactory)
    kind = Document.Kind.AS_FITTED
    title = "As-fitted document"
    file = "sites/2024/03/as-fitted.pdf"
    added_by = SubFactory(UserFactory)

    class Meta:
        model = Document
