"""The standard topologies as rows of the database: read from the rules, so that there is one description."""

from __future__ import annotations

from functools import cache
from typing import Any, TypedDict

from installs.rules.topology import STANDARD_NAMES, STANDARD_TOPOLOGIES, functions, parse_topology
from stock.models.catalogue import FUNCTIONS


class TopologyRow(TypedDict):
    """Field values of one topology."""

    name: str
    circuit: dict[str, Any]
    functions: list[str]


@cache
def topology_rows() -> dict[str, TopologyRow]:
    """By code: name, circuit, and the functions that such a circuit can carry."""
    rows: dict[str, TopologyRow] = {}
    for code, circuit in STANDARD_TOPOLOGIES.items():
        carried = functions(parse_topology(circuit))
        rows[code] = {
            "name": STANDARD_NAMES[code],
            "circuit": circuit,
            "functions": [name for name in FUNCTIONS if name in carried],
        }
    return rows
