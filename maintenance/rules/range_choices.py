"""Which variants could serve a position, and what each would take: the swap rule's verdicts as choices of a cover."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from maintenance.rules.swap import judge
from maintenance.rules.swap_facts import PROPOSABLE, BoardFacts, Cover, Judgement, Position, Verdict
from maintenance.rules.swap_settings import ANTI_MASK, reproduced
from stock.rules.fewest import Choice


@dataclass(frozen=True)
class Choices:
    """The choices of one position; without any, `why` says what keeps the nearest cover off."""

    choices: tuple[Choice, ...]
    why: str = ""


def choices_of(
    position: Position,
    covers: Sequence[Cover],
    boards: Sequence[BoardFacts],
    board_items: Mapping[int, int],
    *,
    keep_settings: bool,
) -> Choices:
    """Every cover that is still made and fits the position's backplate, wiring, panel, grade and class as things
    stand, with each board that would do, and the inserts its settings need (parts are keys of items).

    With `keep_settings` every setting must stay as it is; masking detection that the grade demands may be switched on.
    What a choice changes, when the position's device is next replaced: 1 for another cover, 1 for a board, 1 for each
    insert, 1 for each setting that cannot stay; 0 for the cover that is there already, without a board.
    """
    found: list[Choice] = []
    refused: list[Judgement] = []
    why_settings = ""
    for cover in covers:
        if cover.discontinued or cover.family != position.family:
            continue
        judgement = judge(position, cover, boards)
        if judgement.verdict not in PROPOSABLE:
            refused.append(judgement)
            continue
        lost = [c for c in judgement.setting_changes if not (c.field == ANTI_MASK and c.new is True)]
        failed = reproduced(position, cover).failed if keep_settings else ""
        if keep_settings and (lost or failed):
            why_settings = why_settings or failed or f"A setting cannot stay: {lost[0].label.lower()}, {lost[0].why}."
            continue
        same = cover.key == position.old.key
        inserts = tuple(sorted(insert.key for insert in judgement.inserts))
        changes = 0 if same else 1 + len(inserts) + len(lost)
        for board in _boards(position, cover, boards, judgement):
            parts = inserts if board is None else (board_items[board.key], *inserts)
            found.append(Choice(cover.key, tuple(sorted(parts)), changes + (board is not None)))
    if found:
        return Choices(tuple(sorted(found)))
    return Choices((), why_settings or _why(refused))


def _boards(
    position: Position, cover: Cover, boards: Sequence[BoardFacts], first: Judgement
) -> list[BoardFacts | None]:
    """Every board that would do, not only the best one: the study looks for boards that serve many positions."""
    if first.verdict != Verdict.FITS_BOARD:
        return [None]
    found: list[BoardFacts | None] = []
    judgement, left = first, list(boards)
    while judgement.verdict == Verdict.FITS_BOARD and judgement.board is not None:
        found.append(judgement.board)
        left = [board for board in left if board != judgement.board]
        judgement = judge(position, cover, left)
    return found


def _why(refused: Sequence[Judgement]) -> str:
    """The first decisive reason against the cover that has the fewest; that it needs spare cores, if that is all."""
    if not refused:
        return "No variant of its family is still made."

    def decisive(judgement: Judgement) -> list[str]:
        return [reason.text for reason in judgement.reasons_against if reason.decisive]

    nearest = min(refused, key=lambda judgement: (len(decisive(judgement)), judgement.order))
    if nearest.verdict == Verdict.FITS_CORES:
        return "It would be served once spare cores are landed at the device."
    return (decisive(nearest) or ["It does not fit as things stand."])[0]
