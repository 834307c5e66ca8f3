"""The invented detector families, variants, boards and panels, as plain data.

Every name here is made up. Families: Brackenfold (PIR), Fenwillow (PIR with microwave), Quernstone (grade 3),
Oxlip (small rooms), Merlowe (old types discontinued, each with a successor on the same backplate), Tallowick
(discontinued, no successor).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from config.demo.schemas import Features


@dataclass(frozen=True)
class VariantRow:
    """A variant; `gone_years` is how long ago it was discontinued."""

    code: str
    words: str
    grade: int
    environmental_class: int
    generation: int
    backplates: tuple[int, ...]
    features: Features
    outputs: tuple[str, ...] = ("alarm", "tamper")
    gone_years: float | None = None
    successor: str | None = None

    @property
    def family(self) -> str:
        return self.code.split("-")[0].rstrip("2").lower()


@dataclass(frozen=True)
class BoardRow:
    """A board; without values it only presets a wiring."""

    sku: str
    name: str
    topology: str
    wires: int
    eol_ohm: int | None = None
    alarm_ohm: int | None = None
    mask_ohm: int | None = None
    families: tuple[str, ...] = ("bf", "fw", "qs", "ox", "ml", "tw")

    @property
    def values(self) -> tuple[int | None, int | None, int | None]:
        return self.eol_ohm, self.alarm_ohm, self.mask_ohm


@dataclass(frozen=True)
class ProfileRow:
    """An input profile and the resistor values that its bands are made for. `source` is the reference in volts, the
    pull-up in ohms and its tolerance in percent of an input whose bands are given in `volts` at the terminals."""

    code: str
    topology: str
    eol_ohm: int | None = None
    alarm_ohm: int | None = None
    mask_ohm: int | None = None
    source: tuple[float | None, float | None, float] = (None, None, 0.0)
    volts: tuple[tuple[str, float, float | None], ...] = ()


@dataclass(frozen=True)
class PanelRow:
    """A panel type. `supply` is as invented as its name: volts at the outputs on mains and on a discharged battery,
    then in mA the outputs' most, its own when quiet and in alarm, and what is left to recharge the battery."""

    code: str
    name: str
    grade: int
    profiles: tuple[ProfileRow, ...] = field(default=())
    supply: tuple[str, str, int, int, int, int] = ("13.7", "10.8", 750, 75, 120, 350)


# code: name, service life in years, generations of backplate, generations that have mask terminals
FAMILIES: dict[str, tuple[str, int | None, tuple[int, ...], tuple[int, ...]]] = {
    "bf": ("Brackenfold", 10, (1, 2), (2,)),
    "fw": ("Fenwillow", 10, (1, 2), (2,)),
    "qs": ("Quernstone", 12, (1, 2), (1, 2)),
    "ox": ("Oxlip", 10, (1,), ()),
    "ml": ("Merlowe", 8, (1, 2), (2,)),
    "tw": ("Tallowick", 8, (1,), ()),
}

_MASK = ("alarm", "tamper", "mask")
_FAULT = ("alarm", "tamper", "mask", "fault")
_PLAIN = Features()
_PET = Features(pet="full", white_light_filter=True)
_DUAL = Features(microwave=True, white_light_filter=True)
_DUAL_PET = Features(microwave=True, pet="full", white_light_filter=True)
_PIR3 = Features(anti_mask=True, curtain=True, white_light_filter=True)
_CREEP3 = Features(pet="full", creep_zone=True, anti_mask=True, white_light_filter=True)
_DUAL3 = Features(microwave=True, anti_mask=True, curtain=True, white_light_filter=True)
_DUAL_CREEP3 = Features(
    microwave=True, pet="full", creep_zone=True, curtain=True, anti_mask=True, white_light_filter=True
)

VARIANTS: tuple[VariantRow, ...] = (
    VariantRow("BF-1P", "PIR, small premises", 1, 1, 1, (1, 2), _PLAIN),
    VariantRow("BF-2P", "PIR", 2, 2, 1, (1, 2), Features(curtain=True)),
    # The grade 2 kind whose pet immunity is 12 or 30 kg and nothing between.
    VariantRow("BF-2P-PET", "PIR, pet immune 12 or 30 kg", 2, 2, 1, (1, 2), Features(pet="steps")),
    VariantRow("BF-2PA", "PIR with anti-mask", 2, 2, 1, (1, 2), Features(anti_mask=True), _MASK),
    VariantRow("BF2-2P", "PIR, second generation", 2, 2, 2, (1, 2), Features(curtain=True, white_light_filter=True)),
    VariantRow("BF2-2P-PET", "PIR, pet immune, second generation", 2, 2, 2, (1, 2), _PET),
    VariantRow("BF2-2P-III", "PIR for unheated buildings", 2, 3, 2, (1, 2), Features(white_light_filter=True)),
    VariantRow("BF2-2PA", "PIR with anti-mask, second generation", 2, 2, 2, (2,), Features(anti_mask=True), _MASK),
    VariantRow("FW-2D", "PIR with microwave", 2, 2, 1, (1, 2), _DUAL),
    VariantRow("FW-2D-PET", "PIR with microwave, pet immune", 2, 2, 1, (1, 2), _DUAL_PET),
    VariantRow("FW-2D-III", "PIR with microwave for unheated buildings", 2, 3, 1, (1, 2), _DUAL),
    VariantRow("FW-3DA", "PIR with microwave and anti-mask", 3, 2, 1, (1, 2), _DUAL3, _MASK),
    VariantRow("FW-3DA-CZ", "PIR with microwave, anti-mask and creep-zone optic", 3, 2, 1, (1, 2), _DUAL_CREEP3, _MASK),
    VariantRow("FW2-2D", "PIR with microwave, second generation", 2, 2, 2, (1, 2), _DUAL_PET),
    VariantRow("FW2-3DA", "PIR with microwave and anti-mask, second generation", 3, 2, 2, (1, 2), _DUAL3, _MASK),
    VariantRow("FW2-3DA-CZ", "as FW2-3DA with creep-zone optic", 3, 2, 2, (2,), _DUAL_CREEP3, _FAULT),
    VariantRow("FW2-3DA-III", "as FW2-3DA for unheated buildings", 3, 3, 2, (1, 2), _DUAL3, _MASK),
    VariantRow("QS-3PA", "PIR with anti-mask", 3, 2, 1, (1, 2), _PIR3, _MASK),
    # The grade 3 kind whose creep-zone optic limits pet immunity to 12 kg.
    VariantRow("QS-3PA-CZ", "PIR with anti-mask and creep-zone optic", 3, 2, 1, (1, 2), _CREEP3, _MASK),
    VariantRow("QS-3PA-III", "PIR with anti-mask for unheated buildings", 3, 3, 1, (1, 2), _PIR3, _MASK),
    VariantRow("QS-3DA", "PIR with microwave and anti-mask", 3, 2, 1, (1, 2), _DUAL3, _MASK),
    VariantRow("QS-3DA-CZ", "PIR with microwave, anti-mask and creep-zone optic", 3, 2, 1, (1, 2), _DUAL_CREEP3, _MASK),
    VariantRow("QS2-3PA", "PIR with anti-mask, second generation", 3, 2, 2, (1, 2), _PIR3, _MASK),
    VariantRow("QS2-3DA", "PIR with microwave and anti-mask, second generation", 3, 2, 2, (1, 2), _DUAL3, _FAULT),
    VariantRow("QS2-3DA-CZ", "as QS2-3DA with creep-zone optic", 3, 3, 2, (1, 2), _DUAL_CREEP3, _FAULT),
    VariantRow("OX-1P", "small-room PIR, small premises", 1, 1, 1, (1,), _PLAIN),
    VariantRow("OX-1P-III", "small-room PIR for unheated buildings", 1, 3, 1, (1,), _PLAIN),
    VariantRow("OX-2P", "small-room PIR", 2, 2, 1, (1,), _PLAIN),
    VariantRow("OX-2P-PET", "small-room PIR, pet immune", 2, 2, 1, (1,), Features(pet="full")),
    VariantRow("OX-2P-CUR", "small-room PIR for curtain insert", 2, 2, 1, (1,), Features(curtain=True)),
    VariantRow("ML-2P", "PIR", 2, 2, 1, (1, 2), _PLAIN, gone_years=1.6, successor="ML2-2P"),
    VariantRow("ML-2P-PET", "PIR, pet immune", 2, 2, 1, (1, 2), Features(pet="full"), gone_years=1.6,
               successor="ML2-2P-PET"),
    VariantRow("ML-2D", "PIR with microwave", 2, 2, 1, (1, 2), Features(microwave=True), gone_years=1.1,
               successor="ML2-2D"),
    VariantRow("ML2-2P", "PIR, second generation", 2, 2, 2, (1, 2), Features(white_light_filter=True)),
    VariantRow("ML2-2P-PET", "PIR, pet immune, second generation", 2, 2, 2, (1, 2), _PET),
    VariantRow("ML2-2D", "PIR with microwave, second generation", 2, 2, 2, (1, 2), _DUAL),
    VariantRow("TW-2P", "PIR", 2, 2, 1, (1,), _PLAIN, gone_years=4.2),
    VariantRow("TW-2P-PET", "PIR, pet immune", 2, 2, 1, (1,), Features(pet="full"), gone_years=4.2),
    VariantRow("TW-2D", "PIR with microwave", 2, 2, 1, (1,), Features(microwave=True), gone_years=3.7),
    VariantRow("TW-3PA", "PIR with anti-mask", 3, 2, 1, (1,), Features(anti_mask=True), _MASK, gone_years=3.7),
)

_MASKING = ("bf", "fw", "qs", "tw")
BOARDS: tuple[BoardRow, ...] = (
    BoardRow("BD-D-1K1K", "Board double EOL 1k/1k", "double-eol", 2, 1000, 1000),
    BoardRow("BD-D-4K7", "Board double EOL 4k7/4k7", "double-eol", 2, 4700, 4700),
    BoardRow("BD-D-2K2", "Board double EOL 2k2/4k7", "double-eol", 2, 2200, 4700),
    BoardRow("BD-T-4K7", "Board triple EOL 4k7/4k7/2k2", "triple-eol", 2, 4700, 4700, 2200, _MASKING),
    BoardRow("BD-T-1K", "Board triple EOL 1k/1k/3k", "triple-eol", 2, 1000, 1000, 3000, _MASKING),
    BoardRow("BD-T4-4K7", "Board triple EOL 4k7/4k7/2k2, tamper apart", "triple-eol", 4, 4700, 4700, 2200, _MASKING),
    BoardRow("BD-S4-1K", "Board single EOL 1k, four wires", "single-eol", 4, 1000),
    BoardRow("BD-S4-4K7", "Board single EOL 4k7, four wires", "single-eol", 4, 4700),
    BoardRow("BD-S6-4K7", "Board single EOL 4k7, six wires", "single-eol", 6, 4700, families=("fw", "qs")),
    BoardRow("BD-S6-1K", "Board single EOL 1k, six wires", "single-eol", 6, 1000, families=("fw", "qs")),
    BoardRow("BD-W2", "Wiring board double EOL, resistors by hand", "double-eol", 2),
    BoardRow("BD-W3", "Wiring board triple EOL, resistors by hand", "triple-eol", 2, families=_MASKING),
    BoardRow("BD-W4", "Wiring board single EOL, four wires, resistor by hand", "single-eol", 4),
)

_CLOSED = (ProfileRow("closed", "closed-loop"), ProfileRow("closed-tamper", "closed-loop-tamper"))


def _separate(value: str, ohm: int) -> tuple[ProfileRow, ...]:
    return (
        ProfileRow(f"eol-{value}", "single-eol", ohm),
        ProfileRow(f"tamper-{value}", "single-eol-tamper", ohm),
        ProfileRow(f"mask-{value}", "single-eol-mask", ohm),
    )


_D1 = ProfileRow("deol-1k", "double-eol", 1000, 1000)
_D4 = ProfileRow("deol-4k7", "double-eol", 4700, 4700)
PANELS: tuple[PanelRow, ...] = (
    PanelRow("KH-8", "Keldholt 8", 2, (*_CLOSED, _D1, _D4)),
    PanelRow(
        "KH-24", "Keldholt 24", 3,
        (
            _D1, _D4, *_separate("4k7", 4700),
            ProfileRow("teol-4k7-2k2", "triple-eol", 4700, 4700, 2200),
            ProfileRow("tamper-mask-4k7", "double-eol-tamper-mask", 4700, None, 2200),
        ),
        supply=("13.7", "11.0", 1500, 110, 180, 800),
    ),
    PanelRow(
        "HS-32", "Hollinside 32", 3,
        (
            _D1, ProfileRow("deol-2k2-4k7", "double-eol", 2200, 4700), *_separate("1k", 1000),
            ProfileRow("teol-1k-3k", "triple-eol", 1000, 1000, 3000),
            ProfileRow("open-1k", "single-eol-open", 1000),
            # 5 V behind 4.7 kΩ: normal is 1.59 V, one device in alarm 2.97 V, three 3.88 V (voltage divider).
            ProfileRow(
                "deol-2k2-4k7-volts", "double-eol", 2200, 4700, source=(5.0, 4700.0, 1.0),
                volts=(("tamper", 0.0, 0.95), ("normal", 1.25, 2.4), ("alarm", 2.52, 4.0), ("tamper", 4.45, None)),
            ),
        ),
        supply=("13.6", "11.0", 1800, 130, 220, 1000),
    ),
    PanelRow("DM-12", "Dunmarrow 12", 2, (*_CLOSED, _D1, *_separate("1k", 1000)[:2])),
)


def bands_of(profile: ProfileRow) -> list[tuple[str, float, float | None]]:
    """State, lower and upper edge in ohms of every band.

    Edges lie near the middle between neighbouring states, with a gap of a tenth of the distance that reads as
    nothing; room for three devices of a double end-of-line loop in alarm at once (series arithmetic).
    """
    eol, alarm, mask = profile.eol_ohm, profile.alarm_ohm, profile.mask_ohm
    if eol is None:
        state = "tamper" if profile.topology.endswith("tamper") else "alarm"
        return [("normal", 0.0, 500.0), (state, 500.0, None)]
    if profile.topology == "single-eol-open":
        return [("alarm", 0.0, 0.5 * eol), ("normal", 0.7 * eol, 1.4 * eol), ("tamper", 2.0 * eol, None)]
    start: list[tuple[str, float, float | None]] = [("tamper", 0.0, 0.5 * eol)]
    if alarm is None and mask is None:
        state = {"single-eol-tamper": "tamper", "single-eol-mask": "mask"}.get(profile.topology, "alarm")
        return [*start, ("normal", 0.7 * eol, 1.4 * eol), (state, 2.0 * eol, None)]
    levels = [("normal", float(eol))]
    if alarm is not None:
        levels.append(("alarm", float(eol + alarm)))
    if mask is not None:
        levels.append(("mask", float(eol + mask)))
    if alarm is not None and mask is not None:
        levels.append(("alarm", float(eol + alarm + mask)))
    levels.sort(key=lambda level: level[1])
    bands = start
    low = 0.7 * eol
    for (state, ohm), (_, above) in pairwise(levels):
        middle, gap = (ohm + above) / 2, 0.05 * (above - ohm)
        bands.append((state, low, middle - gap))
        low = middle + gap
    state, ohm = levels[-1]
    both = alarm is not None and mask is not None
    high = ohm + (0.5 * min(alarm or 0, mask or 0) if both else 2.6 * (alarm or mask or 0))
    return [*bands, (state, low, high), ("tamper", 2.0 * high, None)]
