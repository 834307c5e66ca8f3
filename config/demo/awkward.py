"""The awkward cases, as named sites. Tests and people find them by name.

- Ellerquay Harbour Office: mixed topologies; hand-wired resistors, boards and wiring-only boards on one site;
  one input reads terminal volts behind a pull-up.
- Brindlow Tannery: its fourth detector's board was made for another panel's values.
- Ottermead Pottery: Merlowe, discontinued, each with a successor on the same backplate. Its power run
  branches: the second detector feeds the third and the fourth.
- Quillham Print Works: Tallowick, discontinued, with no successor.
- Skelbrough Assay Rooms: grade 3 in four-core cable: no spare cores, its circuits cannot carry anti-mask.
- Faxholme Bonded Store: grade 3 on four wires; spare cores of the eight-core cable could carry the mask signal. Its
  battery is too small for its grade.
- Pellowick Gallery: grade 3 site with grade 2 detectors.
- Harthop Observatory: devices past their family's service life.
- Marrowby Clock Works: three devices failed their last walk test; the fifth detector is at the end of a power run
  that is too long for its cable.
- Garrowden Jewel House: a site in good order, grade 3, for comparison.
- Thornquay Salt House: the first circuit's measured value rises from year to year towards the edge of its band.

Elsewhere in the firm: an engineer on leave from the business date for a fortnight (firm.ON_LEAVE); a van that
lacks the backplate of a kit (firm.VAN_WITH_A_GAP); items below their minimum; requirements overdue, due soon and
escalated.
"""

from __future__ import annotations

from datetime import date, timedelta

from config.demo.sites import Group, Plan
from config.demo.wiring import DEOL_1K, DEOL_2K2, DEOL_2K2_VOLTS, DEOL_4K7, FOUR_4K7, OPEN_1K, TEOL_1K, TEOL_4K7

MIXED = "Ellerquay Harbour Office"
WRONG_BOARD = "Brindlow Tannery"
SUCCESSOR = "Ottermead Pottery"
NO_SUCCESSOR = "Quillham Print Works"
NO_SPARE_CORES = "Skelbrough Assay Rooms"
SPARE_CORES = "Faxholme Bonded Store"
BELOW_GRADE = "Pellowick Gallery"
PAST_LIFE = "Harthop Observatory"
FAILED = "Marrowby Clock Works"
IN_ORDER = "Garrowden Jewel House"
DRIFTING = "Thornquay Salt House"
# Of a normal value of 4.7 kΩ in a band that ends at 6.8 kΩ: in the fourth year it leaves.
DRIFT_OHM_PER_YEAR = 640.0
# mark, fed from (empty: the panel), metres, cable, cores per pole
FEEDS: dict[str, tuple[tuple[str, str, float, str, int], ...]] = {
    SUCCESSOR: (
        ("D2", "", 34.0, "six-core-solid", 1), ("D3", "D2", 12.0, "six-core", 1), ("D4", "D2", 15.5, "six-core", 1),
    ),
    FAILED: (("D4", "", 85.0, "six-core", 1), ("D5", "D4", 140.0, "six-core", 1)),
}
# How many devices failed their last walk test. The tannery's wrong board is swapped for one that its panel
# reads; at the bonded store a new cover would need spare cores landed first.
FAILING = {FAILED: 3, WRONG_BOARD: 4, SPARE_CORES: 1}


def awkward_plans(today: date) -> list[Plan]:
    """The named sites, as the first of the firm; `today` is the business date."""

    def years(number: float) -> date:
        return today - timedelta(days=round(number * 365.25))

    mixed = [
        Group(DEOL_2K2_VOLTS, 2, "board", variant="BF-2P"),
        Group(DEOL_2K2, 2, "hand", variant="OX-2P"),
        Group(DEOL_1K, 2, "wiring", variant="FW-2D"),
        Group(OPEN_1K, 2, "board", variant="BF2-2P"),
    ]
    rows: list[tuple[str, str, int, int, str, date, list[Group]]] = [
        (MIXED, "ELL", 0, 2, "HS-32", years(3.5), mixed),
        (WRONG_BOARD, "ELL", 1, 2, "KH-24", years(2.4), [
            Group(DEOL_4K7, 3, "board", variant="BF-2P"),
            Group(DEOL_4K7, 1, "board", board="BD-D-1K1K", variant="BF-2P"),
        ]),
        (SUCCESSOR, "ELL", 3, 2, "KH-24", years(5.4), [
            Group(DEOL_4K7, 3, "board", variant="ML-2P", fitted_on=years(5.4)),
            Group(DEOL_4K7, 2, "board", variant="ML-2D", fitted_on=years(5.4)),
        ]),
        (NO_SUCCESSOR, "ELL", 2, 2, "KH-8", years(6.2), [
            Group(DEOL_1K, 4, "board", variant="TW-2P", fitted_on=years(6.2)),
        ]),
        (NO_SPARE_CORES, "SKB", 7, 3, "KH-24", years(5.1), [
            Group(DEOL_4K7, 4, "board", variant="QS-3PA", cable="four-core", backplate=1, fitted_on=years(5.1)),
        ]),
        (SPARE_CORES, "SKB", 8, 3, "KH-24", years(4.6), [
            Group(FOUR_4K7, 4, "board", variant="QS-3DA", cable="eight-core", backplate=2, fitted_on=years(4.6)),
        ]),
        (BELOW_GRADE, "SKB", 9, 3, "KH-24", years(3.2), [
            Group(DEOL_4K7, 3, "board", variant="BF-2P", cable="six-core", backplate=2, fitted_on=years(3.2)),
            Group(TEOL_4K7, 2, "board", variant="FW-3DA", backplate=2, fitted_on=years(3.2)),
        ]),
        (PAST_LIFE, "SKB", 11, 2, "HS-32", years(12.3), [
            Group(DEOL_2K2, 5, "board", variant="BF-2P", backplate=1, fitted_on=years(12.3)),
        ]),
        (FAILED, "SKB", 12, 2, "KH-24", years(4.2), [
            Group(DEOL_4K7, 5, "board", variant="FW-2D", fitted_on=years(4.2)),
        ]),
        (IN_ORDER, "ELL", 4, 3, "HS-32", years(2.2), [
            Group(TEOL_1K, 6, "board", variant="QS2-3PA", fitted_on=years(2.2)),
        ]),
        (DRIFTING, "SKB", 10, 2, "KH-24", years(3.1), [
            Group(DEOL_4K7, 4, "board", variant="BF-2P", fitted_on=years(3.1)),
        ]),
    ]
    return [
        Plan(
            reference=f"S{number:06d}",
            name=name,
            branch=branch,
            town=town,
            grade=grade,
            panel=panel,
            contract="signalled",
            in_use_since=in_use_since,
            groups=groups,
            cautions="Mains spur above panel: isolate before opening." if name == MIXED else "",
            failing=FAILING.get(name, 0),
            feeds=FEEDS.get(name, ()),
            battery_ah=7 if name == SPARE_CORES else None,
            drift_ohm_per_year=DRIFT_OHM_PER_YEAR if name == DRIFTING else 0.0,
        )
        for number, (name, branch, town, grade, panel, in_use_since, groups) in enumerate(rows, 1)
    ]
