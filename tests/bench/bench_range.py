"""Range studies: the solver alone on generated ranges, and a whole study against the bare grouping of its positions.

    python -m tests.bench.bench_range [--devices 20000] [--seconds 60]

Works in a database of its own, `<name>_bench_range`, made and dropped here, on the server that the settings name. A
demo firm is loaded and its systems are copied until there are as many devices (as in bench_swaps). Floor: the one
statement that groups the same devices by the facts they are judged by. Read the ratios, not the seconds.

The generated ranges have 5,000 kinds of positions and 120 variants: 'families' as in the trade (12 families; grade,
class, backplate generation and features decide what fits), 'scattered' without any order (each kind is served by 5 %
of the variants at random, then by 10 %): the last is as hard as set covering gets, and is ended by the time.
"""

from __future__ import annotations

import argparse
import random
import time
from dataclasses import dataclass
from datetime import date

from tests.bench.bench_swaps import COPIES, STEP
from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

DAY = date(2026, 11, 25)
KINDS = 5_000
FAMILIES, EACH = 12, 10


@dataclass(frozen=True)
class Made:
    """An invented variant."""

    key: int
    family: int
    grade: int
    environmental_class: int
    generations: frozenset[int]
    features: frozenset[str]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--devices", type=int, default=20_000, help="how many, 2,000 to 1,000,000")
    parser.add_argument("--seconds", type=float, default=60.0, help="time for the solver on each generated range")
    wanted = parser.parse_args()
    if not 2_000 <= wanted.devices <= 1_000_000:
        parser.error(f"--devices is {wanted.devices}; give 2000 to 1000000.")
    solve_generated(wanted.seconds)
    with own_database("bench_range"):
        measure(wanted.devices)


def solve_generated(seconds: float) -> None:
    from stock.rules.fewest import Choice, Need, fewest, one_fewer

    chance = random.Random(5)

    def families() -> list[Need]:
        made = [
            Made(family * EACH + n, family, chance.choice((1, 2, 2, 3)), chance.choice((2, 2, 3)),
                 frozenset(chance.sample((1, 2, 3), chance.choice((1, 2)))),
                 frozenset(chance.sample("abcd", chance.randint(0, 3))))
            for family in range(FAMILIES) for n in range(EACH)
        ]
        needs = []
        while len(needs) < KINDS:
            family, grade = chance.randrange(FAMILIES), chance.choice((1, 2, 2, 3))
            asked_class, generation = chance.choice((1, 2, 2, 3)), chance.choice((1, 2, 3))
            features = frozenset(chance.sample("abcd", chance.choice((0, 0, 1, 1, 2))))
            board = tuple(chance.sample(range(1000, 1030), chance.choice((0, 0, 0, 1))))
            choices = tuple(
                Choice(one.key, board if chance.random() < 0.7 else (), chance.randint(0, 3))
                for one in made
                if one.family == family and one.grade >= grade and one.environmental_class >= asked_class
                and generation in one.generations and features <= one.features
            )
            if choices:
                needs.append(Need(chance.randint(1, 50), choices))
        return needs

    def scattered(share: float) -> list[Need]:
        variants = FAMILIES * EACH
        return [
            Need(chance.randint(1, 50), tuple(
                Choice(variant, tuple(sorted(chance.sample(range(1000, 1030), chance.choice((0, 0, 0, 1, 2))))),
                       chance.randint(0, 3))
                for variant in chance.sample(range(variants), max(1, round(chance.gauss(share * variants, 3))))
            ))
            for _ in range(KINDS)
        ]

    for name, needs in (
        ("families", families()), ("scattered, 5 %", scattered(0.05)), ("scattered, 10 %", scattered(0.10)),
    ):
        began = time.perf_counter()
        found = fewest(needs, seconds=seconds)
        solved = elapsed(began)
        began = time.perf_counter()
        fewer = one_fewer(needs, found, seconds=seconds)
        assert fewer is not None
        print(f"{name}: {solved:.2f} s; " + ", ".join(
            f"{label} {proof.value}" + ("" if proof.proven else f" (at least {proof.bound})")
            for label, proof in (
                ("variants", found.variants), ("parts", found.different_parts), ("changes", found.changes),
            )
        ) + f"; one fewer {elapsed(began):.2f} s, leaves {fewer.unserved.value}"
            + ("" if fewer.unserved.proven else f" (at least {fewer.unserved.bound})"))


def measure(wanted: int) -> None:
    from django.db import connection, transaction

    import config.background
    from config.accounts.models import User
    from config.accounts.rights import Role
    from config.demo.load import load_demo
    from installs.models import Device
    from maintenance.models import RangeStudy
    from maintenance.queries.range_positions import positions_by_signature
    from maintenance.queries.swap_facts import load_catalogue
    from maintenance.rules.swap_settings import _worked_out
    from maintenance.rules.swap_wiring import _loop_read
    from maintenance.services.range_study import start_study, study_range

    config.background.app.send_task = lambda name, args: None
    began = time.perf_counter()
    load_demo(scale=1, seed=2026, today=DAY)
    copies = max(round(wanted / Device.objects.filter(removed_on=None).count()) - 1, 0)
    with transaction.atomic(), connection.cursor() as cursor:
        # The copies are made without the triggers of history and ledger, which check nothing here.
        cursor.execute("SET LOCAL session_replication_role = replica")
        for statement in COPIES[:5] if copies else ():
            cursor.execute(statement, {"step": STEP, "copies": copies})
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")
    print(f"\n{Device.objects.filter(removed_on=None).count():,} devices made in {elapsed(began):.1f} s")

    def group() -> None:
        with transaction.atomic(), positions_by_signature(None, load_catalogue(DAY)) as found:
            counted.append(found.signatures)

    counted: list[int] = []
    floor = min(timed(group) for _ in range(2))
    manager = User.objects.filter(role=Role.SERVICE_MANAGER)[0]
    _worked_out.cache_clear()
    _loop_read.cache_clear()
    made = start_study(None, by=manager)
    first = timed(lambda: study_range(made.pk, today=DAY))
    second = start_study(None, by=manager)
    again = timed(lambda: study_range(second.pk, today=DAY))
    result = RangeStudy.objects.get(pk=second.pk).result
    assert result == RangeStudy.objects.get(pk=made.pk).result
    print(f"{result['positions']:,} positions of {counted[0]:,} signatures and {result['kinds']:,} kinds; "
          f"{len(result['kept'])} of {result['variants_made']} variants kept, proven: "
          f"{result['proof']['variants']['proven']}\n")
    print_ratios((
        ("grouping by facts, one statement (floor)", floor),
        ("a study: group, judge, solve, savings", first),
        ("the same again, memory of the rules warm", again),
    ))


if __name__ == "__main__":
    main()
