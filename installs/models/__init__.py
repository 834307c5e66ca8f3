from installs.models.circuits import Circuit, CircuitPlace, Device
from installs.models.loops import LoopMeasurement, LoopTable, MeasurementImport
from installs.models.panels import InputBand, InputProfile, Panel, PanelType, PsuType, System
from installs.models.sites import Customer, Document, Site, SiteAssignment
from installs.models.supply import PowerFeed, StandbyRule

__all__ = [
    "Circuit",
    "CircuitPlace",
    "Customer",
    "Device",
    "Document",
    "InputBand",
    "InputProfile",
    "LoopMeasurement",
    "LoopTable",
    "MeasurementImport",
    "Panel",
    "PanelType",
    "PowerFeed",
    "PsuType",
    "Site",
    "SiteAssignment",
    "StandbyRule",
    "System",
]
