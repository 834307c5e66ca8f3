"""Whether a cover can replace the one in place, on the backplate and wiring that stay: every reason for and against,
in words, and what would cure each reason against.

The trade rules behind it (grades and masking: EN 50131-1 and EN 50131-2-2 as trade pages restate them; the rest is
common practice, no source):
- a system is only as good as its lowest grade, so a higher grade or environmental class may stand in for a lower
  one, never the reverse;
- masking must be detected, and so signalled, at grades 3 and 4; tamper at grade 2 and up;
- end-of-line boards and hand-wired resistors stay behind the backplate when a cover is changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from maintenance.rules.swap_facts import (
    PROPOSABLE,
    VERDICT_ORDER,
    Against,
    BoardFacts,
    CircuitFacts,
    Cover,
    Judgement,
    Position,
    Resistors,
    Verdict,
)
from maintenance.rules.swap_settings import ANTI_MASK, Reproduced, note_text, reproduced
from maintenance.rules.swap_wiring import PAIR_LETTER, Route, fitting_boards, read, route, with_signals, words

# Raise it when the rule changes: stored verdicts are judged again under the new one.
RULE_VERSION = 1

ROMAN = {1: "I", 2: "II", 3: "III", 4: "IV"}


def judge(position: Position, cover: Cover, boards: Sequence[BoardFacts]) -> Judgement:
    """Judge one cover for one position, given the boards that could be fitted instead of the one in place."""
    case = _Case(position, cover)
    _same_backplate(case)
    _grade_and_class(case)
    _electrics(case)
    _made(case)
    circuits, landings = _signals(case)
    board = _resistors(case, circuits, boards)
    kept = reproduced(position, cover)
    _settings(case, kept)

    if any(reason.decisive for reason in case.against):
        verdict, board, landings = Verdict.DOES_NOT_FIT, None, ()
    elif case.cores_needed:
        verdict, board = Verdict.FITS_CORES, None
    else:
        verdict = Verdict.FITS if board is None else Verdict.FITS_BOARD
    # What keeps a cover off comes first; the order within is that of the checks.
    against = sorted(case.against, key=lambda reason: not reason.decisive)
    return Judgement(
        cover=cover.key,
        verdict=verdict,
        proposable=verdict in PROPOSABLE and not cover.discontinued,
        board=board,
        reasons_for=tuple(case.in_favour),
        reasons_against=tuple(against),
        settings=kept.settings,
        setting_changes=kept.changes,
        inserts=kept.inserts,
        cores=landings,
        order=(
            VERDICT_ORDER[verdict],
            bool(kept.failed),
            bool(kept.changes),
            cover.key != position.old.successor,
            cover.grade,
            cover.maximum_ma,
            cover.code,
        ),
    )


def ranked(judgements: Iterable[Judgement]) -> list[tuple[int, Judgement]]:
    """Judgements with their rank, best first; 0 for those that are not to be proposed, which come last.

    Fits before fits with board; then exact settings, the old variant's successor, the lowest sufficient grade, the
    lowest current, the code.
    """
    best_first = sorted(judgements, key=lambda judgement: (not judgement.proposable, judgement.order))
    return [(place if judgement.proposable else 0, judgement) for place, judgement in enumerate(best_first, start=1)]


def after_landing(position: Position, landings: Iterable[tuple[str, str]]) -> Position:
    """The position once these cores are landed on these terminals."""
    return replace(position, landings={**position.landings, **dict(landings)})


@dataclass
class _Case:
    position: Position
    cover: Cover
    in_favour: list[str] = field(default_factory=list)
    against: list[Against] = field(default_factory=list)
    cores_needed: bool = False

    def refuse(self, text: str, cure: str) -> None:
        self.against.append(Against(text, cure, decisive=True))

    def note(self, text: str, cure: str = "") -> None:
        self.against.append(Against(text, cure))


def _same_backplate(case: _Case) -> None:
    position, cover = case.position, case.cover
    if cover.family != position.family:
        case.refuse(
            "It belongs to another family and does not clip to this backplate.",
            "Change the backplate for one of its family and land the cores anew.",
        )
    elif position.backplate_generation not in cover.backplate_generations:
        suits = words([str(number) for number in sorted(cover.backplate_generations)])
        case.refuse(
            f"It clips to backplates of generation {suits}; the one on the wall is of generation "
            f"{position.backplate_generation}.",
            f"Change the backplate for one of generation {suits} and land the cores anew.",
        )
    else:
        case.in_favour.append(
            f"It clips to the backplate that is on the wall (generation {position.backplate_generation})."
        )


def _grade_and_class(case: _Case) -> None:
    position, cover = case.position, case.cover
    if cover.grade < position.site_grade:
        case.refuse(
            f"It is grade {cover.grade} and the site is grade {position.site_grade}: a system is only as good as its "
            "lowest grade.",
            f"Choose a cover of grade {position.site_grade} or higher.",
        )
    else:
        case.in_favour.append(f"Its grade {cover.grade} meets the site's grade {position.site_grade}.")
    if cover.environmental_class < position.site_class:
        case.refuse(
            f"It is made for environmental class {ROMAN[cover.environmental_class]} and the site is class "
            f"{ROMAN[position.site_class]}.",
            f"Choose a cover of class {ROMAN[position.site_class]} or higher.",
        )
    else:
        case.in_favour.append(
            f"Its environmental class {ROMAN[cover.environmental_class]} meets the site's class "
            f"{ROMAN[position.site_class]}."
        )
    if position.site_grade >= 3 and not cover.anti_mask:
        case.refuse(
            f"It does not detect masking, which grade {position.site_grade} requires.",
            "Choose a cover with anti-mask.",
        )
    elif position.site_grade < 3 and position.old.anti_mask and not cover.anti_mask:
        case.note(
            "It does not detect masking, as the old one does.", "Choose a cover with anti-mask to keep the protection."
        )


def _electrics(case: _Case) -> None:
    old, cover = case.position.old, case.cover
    new_range = f"{cover.supply_min_v:g} to {cover.supply_max_v:g} V"
    old_range = f"{old.supply_min_v:g} to {old.supply_max_v:g} V"
    if cover.supply_min_v > old.supply_max_v or cover.supply_max_v < old.supply_min_v:
        case.refuse(
            f"It runs on {new_range}; the old one on {old_range}.", "Give it a supply of its own in that range."
        )
    elif cover.supply_min_v > old.supply_min_v or cover.supply_max_v < old.supply_max_v:
        case.note(
            f"Its supply range, {new_range}, is narrower than the old one's {old_range}.",
            "Measure the supply at the device with the panel on battery before fitting it.",
        )
    if cover.quiescent_ma > old.quiescent_ma or cover.maximum_ma > old.maximum_ma:
        case.note(
            f"It draws {cover.quiescent_ma:g} mA at rest and at most {cover.maximum_ma:g} mA; the old one "
            f"{old.quiescent_ma:g} and {old.maximum_ma:g} mA.",
            "Work out the standby battery and the voltage at the device again.",
        )
    else:
        case.in_favour.append("It draws no more current than the old one.")


def _made(case: _Case) -> None:
    cover, old = case.cover, case.position.old
    if cover.discontinued:
        when = f" since {cover.discontinued_on.day} {cover.discontinued_on:%b %Y}" if cover.discontinued_on else ""
        case.note(
            f"It is discontinued{when}, so it is not proposed.", "Choose a cover that is still made, or use up stock."
        )
    elif old.successor == cover.key:
        case.in_favour.append(f"It is the named successor of {old.code}.")


def _signals(case: _Case) -> tuple[tuple[CircuitFacts, ...], tuple[tuple[str, str], ...]]:
    """The circuits as they would be with the cover's signals, and the cores that would have to be landed."""
    position, cover = case.position, case.cover
    needed = {"alarm"}
    if position.site_grade >= 2:
        needed.add("tamper")
    if position.site_grade >= 3:
        needed.add("mask")
    for function in PAIR_LETTER:
        if function in cover.outputs:
            continue
        if function in position.carried:
            case.refuse(
                f"It has no {function} output, and a circuit expects that signal: its contacts would be missing there.",
                f"Choose a cover with a {function} output, or take {function} off the circuit and link its terminals.",
            )
        elif function in needed and (function != "mask" or cover.anti_mask):
            case.refuse(
                f"It has no {function} output, which grade {position.site_grade} requires.",
                f"Choose a cover with a {function} output.",
            )
    spare = list(position.spare_cores)
    routes: list[Route] = []
    for function in PAIR_LETTER:
        if function not in cover.outputs or function in position.carried:
            continue
        way = route(position, function, spare)
        if function not in needed:
            if function == "mask" and way.circuit is None:
                case.note(
                    f"Its mask signal stays unused, which grade {position.site_grade} allows: no circuit carries it.",
                    way.against.cure if way.against else "",
                )
            continue
        routes.append(way)
        spare = [core for core in spare if core not in dict(way.landings)]
        if way.against is not None:
            case.against.insert(0, way.against)  # what has to be done comes before what is only worth knowing
            case.cores_needed = case.cores_needed or not way.against.decisive
    if set(cover.outputs) >= position.carried and not any(way.circuit is None for way in routes):
        signals = words([name for name in PAIR_LETTER if name in needed | position.carried])
        case.in_favour.append(f"The wiring in place carries its {signals} signals.")
    landings = tuple(landing for way in routes for landing in way.landings)
    return with_signals(position.circuits, routes), landings


def _resistors(
    case: _Case, circuits: Sequence[CircuitFacts], boards: Sequence[BoardFacts]
) -> BoardFacts | None:
    """The board to fit, None if what is in place will do (or nothing does, which is then a reason against)."""
    position = case.position
    if position.hand_wired is not None:
        whose, resistors = "The hand-wired set", position.hand_wired
    elif position.board is not None:
        whose, resistors = f"Board {position.board.name} in place", position.board.resistors or Resistors(())
    else:
        whose, resistors = "The wiring in place", Resistors(())
    now = read(circuits, resistors, whose)
    wired = position.board is None or all(
        circuit.functions <= position.board.topology.functions
        for before, circuit in zip(position.circuits, circuits, strict=True)
        if circuit.functions != before.functions
    )
    if now.outcome != "wrong" and wired:
        if not now.checked:
            case.note(
                "Whether the panel input reads the resistors could not be checked: its bands are not on record.",
                "Add the panel input's bands to the record, or measure the loop.",
            )
        elif now.outcome == "marginal":
            case.note(now.problem, "Measure the loop in every state after the swap.")
        elif position.hand_wired is not None:
            case.in_favour.append("The hand-wired resistors stay behind the backplate, and the panel input reads them.")
        elif position.board is not None:
            case.in_favour.append(f"Board {position.board.name} stays in place, and the panel input reads it.")
        else:
            case.in_favour.append("The wiring in place needs no resistors, and the panel input reads it.")
        return None
    problem = now.problem if now.outcome == "wrong" else f"{whose} does not carry the signals that are needed."
    good = fitting_boards(position, circuits, boards)
    if not good:
        case.refuse(
            problem,
            f"Get a board for this backplate and {position.signalling_wires} signalling wires with values that the "
            "panel input reads, or set the input to a profile that reads what is in place.",
        )
        return None
    board = good[0]
    takes_out = " Take out the hand-wired resistors." if position.hand_wired is not None and board.resistors else ""
    case.note(problem, f"Fit board {board.name}.{takes_out}")
    case.in_favour.append(f"Board {board.name} fits the backplate and the wires, and the panel input reads it.")
    return board


def _settings(case: _Case, kept: Reproduced) -> None:
    if kept.failed:
        case.note(kept.failed, "Correct the variant's settings schema in the catalogue, or set it up on site.")
    elif not kept.changes:
        case.in_favour.append("Every setting of the old one can be set on it.")
    for change in kept.changes:
        if change.lost and change.field == ANTI_MASK:
            continue  # said with the grade
        case.note(note_text(change), "Walk-test the room with the new setting and agree it with the customer.")
    for insert in kept.inserts:
        setting = insert.setting.replace("_", " ")
        case.in_favour.append(f"Insert {insert.name} goes in from the front and keeps {setting} as it was.")
