"""Putting a range study's result together: what is kept, dropped and unserved, and what stands in the way of less."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from maintenance.queries.range_positions import EXAMPLES, Group
from maintenance.queries.swap_facts import Catalogue
from maintenance.rules.range_choices import Choices
from maintenance.rules.swap_facts import Position
from stock.models import Item
from stock.rules.fewest import Choice, Fewest, Need, OneFewer, Proof, only_servers

MOST_REASONS = 200


@dataclass
class Tally:
    """Positions with the same choices: by the variant there now (or as planned) and the site's grade."""

    positions: int = 0
    kinds: Counter[tuple[int, int]] = field(default_factory=Counter)
    examples: list[int] = field(default_factory=list)

    def add(self, group: Group, position: Position) -> None:
        self.positions += group.positions
        self.kinds[position.old.key, position.site_grade] += group.positions
        self.examples = sorted([*self.examples, *group.examples])[:EXAMPLES]


@dataclass
class Tallies:
    """All positions, put together while they are judged."""

    served: dict[tuple[Choice, ...], Tally] = field(default_factory=dict)
    unserved: dict[str, Tally] = field(default_factory=dict)
    signatures: int = 0
    planned: int = 0

    def add(self, group: Group, position: Position, found: Choices) -> None:
        self.signatures += 1
        self.planned += group.planned
        if found.choices:
            self.served.setdefault(found.choices, Tally()).add(group, position)
        else:
            self.unserved.setdefault(found.why, Tally()).add(group, position)

    def keys(self) -> list[tuple[Choice, ...]]:
        return sorted(self.served)

    def needs(self) -> list[Need]:
        """In an order that does not depend on the order of the positions."""
        return [Need(self.served[choices].positions, choices) for choices in self.keys()]


def result_of(
    tallies: Tallies, best: Fewest, fewer: OneFewer | None, *, catalogue: Catalogue, asked: Mapping[str, Any],
    today: date,
) -> dict[str, Any]:
    """The result as it is kept: plain data, names included, so that it can be read after the catalogue has changed.
    One statement."""
    names = _Names(catalogue, {part for choices in tallies.served for choice in choices for part in choice.parts})
    needs, keys = tallies.needs(), tallies.keys()
    lines = _lines(tallies, keys, best.chosen)
    only = only_servers(needs, best.kept)
    now: Counter[int] = Counter()
    for tally in (*tallies.served.values(), *tallies.unserved.values()):
        for (old, _grade), count in tally.kinds.items():
            now[old] += count
    served_by: dict[int, list[int]] = {variant: [] for variant in best.kept}
    for place, choice in enumerate(best.chosen):
        if choice is not None:
            served_by[choice.variant].append(place)
    kept = [
        _kept(names, variant, [tallies.served[keys[place]] for place in served_by[variant]],
              [tallies.served[keys[place]] for place in only[variant]],
              [tallies.served[keys[place]] for place in only[variant]
               if len({choice.variant for choice in keys[place]}) == 1], lines, now[variant])
        for variant in best.kept
    ]
    made = [variant for variant in catalogue.variants.values() if not variant.discontinued]
    return {
        "asked": dict(asked),
        "day": today.isoformat(),
        "positions": sum(tally.positions for tally in (*tallies.served.values(), *tallies.unserved.values())),
        "planned": tallies.planned,
        "signatures": tallies.signatures,
        "kinds": len(needs),
        "variants_now": len(now),
        "variants_made": len(made),
        "kept": sorted(kept, key=lambda row: (-row["positions"], row["code"])),
        "dropped": _dropped(names, lines, now, set(best.kept), catalogue),
        "parts": _parts(names, lines),
        "unserved": _unserved(names, tallies),
        "one_fewer": _one_fewer(names, needs, keys, tallies, best, fewer),
        "proof": {
            "variants": _proof(best.variants), "parts": _proof(best.different_parts), "changes": _proof(best.changes),
        },
        "lines": [
            names.variant(old) | {
                "grade": grade, "by": names.variant(choice.variant) if choice else None,
                "parts": [names.part(part) for part in choice.parts] if choice else [], "positions": count,
            }
            for (old, grade, choice), count in sorted(
                lines.items(), key=lambda row: (names.code(row[0][0]), row[0][1], row[0][2] or Choice(0))
            )
        ],
    }


_Lines = Counter[tuple[int, int, Choice | None]]


class _Names:
    """Codes and names of variants and parts."""

    def __init__(self, catalogue: Catalogue, parts: Iterable[int]) -> None:
        self.catalogue = catalogue
        self.items = {item.pk: item for item in Item.objects.filter(pk__in=sorted(parts))}

    def code(self, variant: int) -> str:
        return self.catalogue.variants[variant].code

    def variant(self, key: int) -> dict[str, Any]:
        found = self.catalogue.variants[key]
        return {"variant": key, "code": found.code, "name": found.name}

    def part(self, key: int) -> dict[str, Any]:
        item = self.items[key]
        return {"item": key, "sku": item.sku, "name": item.name, "kind": item.get_kind_display()}

    def kinds(self, tallies: Sequence[Tally]) -> list[dict[str, Any]]:
        """What is there now, by variant and grade, most first."""
        counts: Counter[tuple[int, int]] = Counter()
        for tally in tallies:
            counts.update(tally.kinds)
        rows = [
            {"code": self.code(old), "grade": grade, "positions": count} for (old, grade), count in counts.items()
        ]
        return sorted(rows, key=lambda row: (-row["positions"], row["code"], row["grade"]))


def _lines(tallies: Tallies, keys: Sequence[tuple[Choice, ...]], chosen: Sequence[Choice | None]) -> _Lines:
    """Positions by what is there now, the grade, and what serves them; changes are of no more use here."""
    lines: _Lines = Counter()
    for key, choice in zip(keys, chosen, strict=True):
        served = Choice(choice.variant, choice.parts) if choice else None
        for (old, grade), count in tallies.served[key].kinds.items():
            lines[old, grade, served] += count
    for tally in tallies.unserved.values():
        for (old, grade), count in tally.kinds.items():
            lines[old, grade, None] += count
    return lines


def _examples(tallies: Sequence[Tally]) -> list[int]:
    return sorted({device for tally in tallies for device in tally.examples})[:EXAMPLES]


def _kept(
    names: _Names, variant: int, served: Sequence[Tally], only: Sequence[Tally], alone: Sequence[Tally], lines: _Lines,
    now: int,
) -> dict[str, Any]:
    grades: Counter[int] = Counter()
    for tally in served:
        for (_old, grade), count in tally.kinds.items():
            grades[grade] += count
    own = {key: count for key, count in lines.items() if key[2] is not None and key[2].variant == variant}
    return names.variant(variant) | {
        "grade": names.catalogue.variants[variant].grade,
        "now": now,
        "positions": sum(own.values()),
        "same": sum(count for (old, _grade, _choice), count in own.items() if old == variant),
        "with_parts": sum(count for (_old, _grade, choice), count in own.items() if choice and choice.parts),
        "grades": [{"grade": grade, "positions": count} for grade, count in sorted(grades.items())],
        "examples": _examples(served),
        "only": sum(tally.positions for tally in only),
        "only_kinds": names.kinds(only),
        "only_examples": _examples(only),
        "alone": sum(tally.positions for tally in alone),
    }


def _dropped(
    names: _Names, lines: _Lines, now: Mapping[int, int], kept: set[int], catalogue: Catalogue
) -> list[dict[str, Any]]:
    """Variants that are there now, or still made, and are not kept: what takes their place, most first."""
    found = []
    for key, variant in catalogue.variants.items():
        if key in kept or (variant.discontinued and not now.get(key)):
            continue
        by: Counter[int] = Counter()
        unserved = 0
        for (old, _grade, choice), count in lines.items():
            if old == key and choice is not None:
                by[choice.variant] += count
            elif old == key:
                unserved += count
        found.append(names.variant(key) | {
            "discontinued": variant.discontinued, "positions": now.get(key, 0), "unserved": unserved,
            "by": [names.variant(other) | {"positions": count}
                   for other, count in sorted(by.items(), key=lambda row: (-row[1], names.code(row[0])))],
        })
    return sorted(found, key=lambda row: (-row["positions"], row["code"]))


def _parts(names: _Names, lines: _Lines) -> list[dict[str, Any]]:
    used: Counter[int] = Counter()
    for (_old, _grade, choice), count in lines.items():
        for part in choice.parts if choice else ():
            used[part] += count
    return [
        names.part(part) | {"positions": count}
        for part, count in sorted(used.items(), key=lambda row: (-row[1], names.items[row[0]].sku))
    ]


def _unserved(names: _Names, tallies: Tallies) -> list[dict[str, Any]]:
    found = sorted(tallies.unserved.items(), key=lambda row: (-row[1].positions, row[0]))
    return [
        {"why": why, "positions": tally.positions, "kinds": names.kinds([tally]), "examples": tally.examples}
        for why, tally in found[:MOST_REASONS]
    ]


def _one_fewer(
    names: _Names, needs: Sequence[Need], keys: Sequence[tuple[Choice, ...]], tallies: Tallies, best: Fewest,
    fewer: OneFewer | None,
) -> dict[str, Any] | None:
    if fewer is None:
        return None
    kept = set(fewer.kept)
    left = [
        tallies.served[key] for need, key in zip(needs, keys, strict=True)
        if not any(choice.variant in kept for choice in need.choices)
    ]
    return {
        "unserved": _proof(fewer.unserved),
        "dropped": [names.variant(key) for key in best.kept if key not in kept],
        "added": [names.variant(key) for key in fewer.kept if key not in best.kept],
        "kinds": names.kinds(left),
        "examples": _examples(left),
    }


def _proof(proof: Proof) -> dict[str, Any]:
    return {"value": proof.value, "bound": proof.bound, "proven": proof.proven}
