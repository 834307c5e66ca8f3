"""Sheets of self-adhesive labels: how many on a page, how large, in millimetres."""

from __future__ import annotations

from dataclasses import dataclass

from stock.rules.errors import RuleError


@dataclass(frozen=True)
class Sheet:
    """An A4 sheet without gaps between its labels; sizes and margins in millimetres."""

    code: str
    name: str
    across: int
    down: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float

    @property
    def places(self) -> int:
        return self.across * self.down


# Common sizes of A4 sheets (common practice, no source). Three of 70 mm fill 210 mm; eight of 37 mm leave 0.5 mm each
# way of 297 mm.
SHEETS = (
    Sheet("24", "24 labels of 70 x 37 mm", 3, 8, 70, 37, 0, 0.5),
    Sheet("65", "65 labels of 38 x 21 mm", 5, 13, 38.1, 21.2, 9.75, 10.7),
)


def sheet_of(code: str) -> Sheet:
    """The sheet of that code. Raises RuleError."""
    for sheet in SHEETS:
        if sheet.code == code:
            return sheet
    raise RuleError("there is no such sheet", field="sheet", value=code,
                    remedy=f"Choose one of {', '.join(s.code for s in SHEETS)}.")


def pages(count: int, sheet: Sheet, *, first: int = 1) -> list[list[int | None]]:
    """For each page the index of the label at each place, None for an empty one.

    `first` is the place of the first label, counted from 1, so that a begun sheet can be used up. Raises RuleError
    when the sheet has no such place.
    """
    if not 1 <= first <= sheet.places:
        raise RuleError("the sheet has no such place", field="first", value=first,
                        remedy=f"Write a number from 1 to {sheet.places}.")
    if count == 0:
        return []
    places: list[int | None] = [None] * (first - 1) + list(range(count))
    places += [None] * (-len(places) % sheet.places)
    return [places[start : start + sheet.places] for start in range(0, len(places), sheet.places)]
