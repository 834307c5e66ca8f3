from installs.models.circuits import Circuit, CircuitPlace, Device
from installs.models.panels import InputBand, InputProfile, Panel, PanelType, System
from installs.models.sites import Customer, Document, Site, SiteAssignment

__all__ = [
    "Circuit",
    "CircuitPlace",
    "Customer",
    "Device",
    "Document",
    "InputBand",
    "InputProfile",
    "Panel",
    "PanelType",
    "Site",
    "SiteAssignment",
    "System",
]
