"""Integer programs: put together row by row, solved by HiGHS to proven optimality (gap 0) or to an honest bound."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import highspy
import numpy as np

from stock.rules.errors import RuleError

# Integers as HiGHS gives them lie within its feasibility tolerance of 1e-6 of the true ones.
_NEAR = 1e-4


@dataclass(frozen=True)
class Solved:
    """The best values found. `proven`: nothing better exists; else `bound` is what no solution can go beyond.

    `values` is empty when the time ended before any solution was found.
    """

    values: tuple[float, ...]
    objective: float
    bound: float
    proven: bool

    @property
    def found(self) -> bool:
        return bool(self.values)

    def whole(self, column: int) -> int:
        """The value of an integer column."""
        return round(self.values[column])


@dataclass
class Program:
    """Columns with bounds, rows of coefficients with bounds. All data must be finite but the bounds."""

    _lower: list[float] = field(default_factory=list)
    _upper: list[float] = field(default_factory=list)
    _integer: list[bool] = field(default_factory=list)
    _starts: list[int] = field(default_factory=lambda: [0])
    _columns: list[int] = field(default_factory=list)
    _coefficients: list[float] = field(default_factory=list)
    _row_lower: list[float] = field(default_factory=list)
    _row_upper: list[float] = field(default_factory=list)

    def column(self, lower: float = 0.0, upper: float = math.inf, *, integer: bool = True) -> int:
        """A new column; gives its number."""
        self._lower.append(lower)
        self._upper.append(upper)
        self._integer.append(integer)
        return len(self._lower) - 1

    def row(self, terms: Mapping[int, float], lower: float = -math.inf, upper: float = math.inf) -> int:
        """A new row: lower <= sum of coefficient x column <= upper; gives its number."""
        self._columns.extend(terms.keys())
        self._coefficients.extend(terms.values())
        self._starts.append(len(self._columns))
        self._row_lower.append(lower)
        self._row_upper.append(upper)
        return len(self._row_lower) - 1

    def solve(self, objective: Mapping[int, float], *, maximise: bool = False, seconds: float = 10.0) -> Solved:
        """Solve with this objective. On one thread and from a fixed seed: within the time, the same program gives the
        same values. The time is looked at between the solver's own steps, so that large programs may take some seconds
        more. Raises RuleError for a program without any solution, and for one whose objective has no end.

        Takes no solution to start from: HiGHS 1.16 then may report the start's values with the optimum's objective.
        """
        columns = len(self._lower)
        if not columns:
            return Solved((), 0.0, 0.0, True)
        if seconds <= 0:
            return Solved((), math.nan, math.inf if maximise else -math.inf, False)
        model = highspy.HighsLp()
        model.num_col_, model.num_row_ = columns, len(self._row_lower)
        cost = np.zeros(columns)
        for at, value in objective.items():
            cost[at] = value
        model.col_cost_ = cost
        model.sense_ = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
        model.col_lower_, model.col_upper_ = np.array(self._lower), np.array(self._upper)
        model.row_lower_, model.row_upper_ = np.array(self._row_lower), np.array(self._row_upper)
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.start_ = np.array(self._starts, dtype=np.int32)
        model.a_matrix_.index_ = np.array(self._columns, dtype=np.int32)
        model.a_matrix_.value_ = np.array(self._coefficients, dtype=float)
        model.integrality_ = [
            highspy.HighsVarType.kInteger if whole else highspy.HighsVarType.kContinuous for whole in self._integer
        ]
        highs = highspy.Highs()  # type: ignore[no-untyped-call]
        for name, value in (
            ("output_flag", False), ("threads", 1), ("random_seed", 2026), ("mip_rel_gap", 0.0),
            ("time_limit", seconds),
        ):
            highs.setOptionValue(name, value)
        highs.passModel(model)
        highs.run()
        return self._read(highs, objective)

    def _read(self, highs: highspy.Highs, costs: Mapping[int, float]) -> Solved:
        status, info = highs.getModelStatus(), highs.getInfo()
        if status in (
            highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnbounded,
            highspy.HighsModelStatus.kUnboundedOrInfeasible,
        ):
            raise RuleError(
                "the program has no solution", field="program", value=highs.modelStatusToString(status),
                remedy="Check the rows for a contradiction.",
            )
        bound = info.mip_dual_bound if any(self._integer) else info.objective_function_value
        if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return Solved((), math.nan, bound, False)
        values = tuple(highs.getSolution().col_value)
        # What is handed on is what the values are worth, so that a claim that they do not bear out is not believed.
        worth = math.fsum(cost * values[at] for at, cost in costs.items())
        borne_out = math.isclose(worth, info.objective_function_value, rel_tol=1e-6, abs_tol=_NEAR)
        return Solved(values, worth, bound, status == highspy.HighsModelStatus.kOptimal and borne_out)


def bound_up(value: float) -> int:
    """The least whole number that a minimum of whole numbers with this bound can be."""
    return math.ceil(value - _NEAR) if math.isfinite(value) else 0


def bound_down(value: float) -> int | None:
    """The greatest whole number that a maximum of whole numbers with this bound can be; None: no bound."""
    return math.floor(value + _NEAR) if math.isfinite(value) else None
