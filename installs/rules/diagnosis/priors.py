"""How likely each cause is before anything is measured, and how large its size is likely to be.

Relative weights, not probabilities: common practice, no source. They only order causes that the numbers leave open;
what the numbers rule out has no weight at all. Faults have one weight for the whole circuit, shared among the places
where they may be; operated functions have one for each device.
"""

from __future__ import annotations

import math
from typing import Final

from installs.rules.network import Ohms

HEALTHY: Final = 1.0

# One device with one function operated. People walk about while somebody measures; covers are off less often; masking
# and faults are rare.
OPERATED: Final = {"alarm": 0.06, "tamper": 0.03, "mask": 0.01, "fault": 0.01}
# Each further device that is operated at the same time: whoever sets off one often sets off the next.
ONE_MORE: Final = 0.15

# However many there are it is not less than this; and all at once is what detectors without supply do.
MANY_LEAST: Final = 0.001
ALL_OPERATED: Final = 0.02

# Whole circuit. Terminals work loose and resistors are left off far more often than a wrong value is soldered in;
# boards are mixed up when detectors are exchanged in a hurry.
FAULT: Final = {
    "cut": 0.08,
    "joint": 0.08,
    "short": 0.06,
    "leak": 0.01,
    "eol-missing": 0.06,
    "eol-shorted": 0.03,
    "eol-doubled": 0.03,
    "eol-early": 0.02,
    "wrong-board": 0.06,
    "preferred-value": 0.02,
    "decade": 0.01,
    "resistor-missing": 0.02,
    "resistor-shorted": 0.01,
}

# A bad joint: a share of x0 / (x0 + x) of them is greater than x. Corroded ones reach kilohms, most stay below 100 Ω.
JOINT_SCALE_OHM: Final = 50.0
JOINT_LEAST_OHM: Final = 5.0
JOINT_GREATEST_OHM: Final = 5_000.0
# Damp in a cable or a box: any order of magnitude is as likely as the next.
LEAK_LEAST_OHM: Final = 300.0
LEAK_GREATEST_OHM: Final = 1_000_000.0


def joint_share_below(ohm: Ohms) -> Ohms:
    """Share of bad joints that lie below `ohm`, 0 at the least and 1 at the greatest size considered."""

    def above(size_ohm: Ohms) -> Ohms:
        return JOINT_SCALE_OHM / (JOINT_SCALE_OHM + size_ohm)

    first, last = above(JOINT_LEAST_OHM), above(JOINT_GREATEST_OHM)
    return (first - above(ohm)) / (first - last)


def several_operated(single: float, count: int, total: int) -> float:
    """Weight of `count` out of `total` devices operated, in whichever way; `single` is that of any one of them."""
    share = ALL_OPERATED if count == total else max(ONE_MORE ** (count - 1), MANY_LEAST)
    return single * share


LEAK_DECADES: Final = math.log(LEAK_GREATEST_OHM / LEAK_LEAST_OHM)
