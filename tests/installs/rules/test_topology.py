"""Topologies as data."""

from __future__ import annotations

import json
from typing import Any

import pytest

from installs.rules.errors import RuleError
from installs.rules.topology import (
    STANDARD_NAMES,
    STANDARD_TOPOLOGIES,
    functions,
    parse_topology,
    resistor_roles,
    sees_short,
)

NC_ALARM = {"contact": "alarm", "normally": "closed"}
BELL = {"contact": "bell", "normally": "open"}


def test_standard_topologies_carry_these_signals() -> None:
    carried = {code: sorted(functions(parse_topology(data))) for code, data in STANDARD_TOPOLOGIES.items()}
    assert carried == {
        "closed-loop": ["alarm"],
        "closed-loop-tamper": ["tamper"],
        "closed-loop-mask": ["mask"],
        "closed-loop-fault": ["fault"],
        "single-eol": ["alarm"],
        "single-eol-tamper": ["tamper"],
        "single-eol-mask": ["mask"],
        "single-eol-fault": ["fault"],
        "single-eol-open": ["alarm"],
        "double-eol": ["alarm", "tamper"],
        "double-eol-tamper-mask": ["fault", "mask", "tamper"],
        "triple-eol": ["alarm", "fault", "mask", "tamper"],
    }
    assert list(STANDARD_NAMES) == list(STANDARD_TOPOLOGIES)


def test_standard_topologies_are_json() -> None:
    assert json.loads(json.dumps(STANDARD_TOPOLOGIES)) == STANDARD_TOPOLOGIES


def test_resistors_needed_depend_on_the_signals_in_use() -> None:
    triple = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
    assert resistor_roles(triple) == {"eol", "alarm", "mask"}
    assert resistor_roles(triple, frozenset({"alarm", "tamper"})) == {"eol", "alarm"}
    assert resistor_roles(triple, frozenset({"tamper"})) == {"eol"}
    assert resistor_roles(parse_topology(STANDARD_TOPOLOGIES["closed-loop"])) == set()


def test_a_short_is_seen_only_with_a_resistor_at_the_end() -> None:
    blind = {code for code, data in STANDARD_TOPOLOGIES.items() if not sees_short(parse_topology(data))}
    assert blind == {"closed-loop", "closed-loop-tamper", "closed-loop-mask", "closed-loop-fault"}


@pytest.mark.parametrize(
    ("data", "field", "value"),
    [
        ([], "topology", []),
        ({"device": NC_ALARM, "end": "link"}, "arrangement", None),
        ({"arrangement": "star", "device": NC_ALARM, "end": "link"}, "arrangement", "star"),
        ({"arrangement": "series", "end": "link"}, "device", None),
        ({"arrangement": "series", "device": NC_ALARM}, "end", None),
        ({"arrangement": "series", "device": NC_ALARM, "end": NC_ALARM}, "end", NC_ALARM),
        ({"arrangement": "series", "device": NC_ALARM, "end": "link", "colour": 1}, "colour", 1),
        ({"arrangement": "series", "device": NC_ALARM, "end": "link", "through": "link"}, "through", "link"),
        ({"arrangement": "series", "device": "wire", "end": "link"}, "device", "wire"),
        ({"arrangement": "series", "device": {"series": []}, "end": "link"}, "device.series", []),
        (
            {"arrangement": "series", "device": {"series": ["link", BELL]}, "end": "link"},
            "device.series[1].contact",
            "bell",
        ),
        (
            {"arrangement": "series", "device": {"contact": "alarm", "normally": "shut"}, "end": "link"},
            "device.normally",
            "shut",
        ),
        ({"arrangement": "series", "device": NC_ALARM, "end": {"resistor": "End 1"}}, "end.resistor", "End 1"),
        (
            {"arrangement": "series", "device": NC_ALARM, "end": {"resistor": "eol", "ohm": 4700}},
            "end",
            {"resistor": "eol", "ohm": 4700},
        ),
    ],
)  # fmt: skip
def test_errors_name_field_value_and_remedy(data: Any, field: str, value: object) -> None:
    with pytest.raises(RuleError) as caught:
        parse_topology(data)
    assert (caught.value.field, caught.value.value) == (field, value)
    assert caught.value.remedy
