"""The swap rule: what must hold whatever the position."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.swap import after_landing, judge
from maintenance.rules.swap_facts import VERDICT_ORDER, BoardFacts, Cover, Position, Verdict
from tests.maintenance.rules.swap_builders import (
    CLOSED_BANDS,
    DOUBLE_BANDS,
    FOREIGN,
    TRIPLE_BANDS,
    board,
    circuit,
    masking,
    position,
    topology,
    variant,
)

# --- whatever the position --------------------------------------------------------------------------

CORES = ("red", "black", "blue", "yellow", "green", "white")
TERMINALS = ("+", "-", "A1", "A2", "T1", "T2", "M1", "M2")


@st.composite
def positions(draw: st.DrawFn) -> Position:
    code = draw(st.sampled_from(["double-eol", "triple-eol", "single-eol", "closed-loop"]))
    can = sorted(topology(code).functions)
    marks = draw(st.permutations([*TERMINALS, None, None, None]))
    return position(
        landings=dict(zip(CORES, marks, strict=False)),
        circuits=(
            circuit(
                code,
                functions=frozenset(draw(st.sets(st.sampled_from(can), min_size=1))),
                bands=draw(st.sampled_from([DOUBLE_BANDS, TRIPLE_BANDS, CLOSED_BANDS, ()])),
            ),
        ),
        board=draw(st.sampled_from([None, board(), board(5, "triple-eol"), board(7, resistors=FOREIGN)])),
        site_grade=draw(st.integers(1, 4)),
        site_class=draw(st.integers(1, 3)),
    )


COVERS = st.builds(
    lambda base, grade, generation: base(
        grade=grade, backplate_generations=frozenset({generation}), environmental_class=grade
    ),
    st.sampled_from([variant, masking]),
    st.integers(1, 4),
    st.integers(1, 2),
)
BOARDS = [board(), board(2), board(5, "triple-eol"), board(7, resistors=FOREIGN)]


@given(positions(), COVERS)
def test_landing_never_makes_a_verdict_worse(where: Position, cover: Cover) -> None:
    before = judge(where, cover, BOARDS)
    after = judge(after_landing(where, before.cores), cover, BOARDS)
    assert VERDICT_ORDER[after.verdict] <= VERDICT_ORDER[before.verdict]


@given(positions(), COVERS)
def test_what_a_verdict_brings_with_it(where: Position, cover: Cover) -> None:
    judged = judge(where, cover, BOARDS)
    assert (judged.board is not None) == (judged.verdict == Verdict.FITS_BOARD)
    assert bool(judged.cores) == (judged.verdict == Verdict.FITS_CORES)
    assert any(reason.decisive for reason in judged.reasons_against) == (judged.verdict == Verdict.DOES_NOT_FIT)
    assert all(len(reason.text) <= 240 for reason in judged.reasons_against)
    assert all(reason.cure for reason in judged.reasons_against)


@given(positions(), COVERS)
def test_a_cover_of_too_low_a_grade_never_fits(where: Position, cover: Cover) -> None:
    if cover.grade < where.site_grade:
        assert judge(where, cover, BOARDS).verdict == Verdict.DOES_NOT_FIT


@given(positions(), COVERS, st.permutations(BOARDS))
def test_the_order_of_boards_does_not_matter(where: Position, cover: Cover, boards: list[BoardFacts]) -> None:
    assert judge(where, cover, boards) == judge(where, cover, BOARDS)
