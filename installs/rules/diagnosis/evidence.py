"""Which suppositions the measurements leave, and with what weight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from installs.rules.diagnosis import priors
from installs.rules.diagnosis.circuit import Array, Columns, Overlay, Whole, readings
from installs.rules.diagnosis.likelihood import Window, density, possible, sizes, window
from installs.rules.diagnosis.model import Measurement
from installs.rules.diagnosis.suppositions import SIZED, Problem, overlay_of

# Sizes at which curves are taken, between 0 and infinity: any will do; near the sizes in question rounds best.
_MIDDLE = {"joint": 500.0, "leak": 20_000.0, "short": 1.0}
_RANGE = {
    "joint": (priors.JOINT_LEAST_OHM, priors.JOINT_GREATEST_OHM),
    "leak": (priors.LEAK_LEAST_OHM, priors.LEAK_GREATEST_OHM),
    "short": (0.0, 1.0),
}


@dataclass
class Members:
    """Suppositions that are left. `size` has nominal, least and greatest on its first axis, `read` one such array for
    each measurement. `run` and `kind` are -1 for what has no size. Weights add up to 1."""

    columns: Columns
    suspect: Whole
    first: Whole
    second: Whole
    count: Whole
    run: Whole
    kind: Whole
    size: Array
    weight: Array
    read: Array

    def __len__(self) -> int:
        return int(self.weight.shape[0])

    def take(self, which: Whole) -> Members:
        return Members(
            columns=self.columns.take(which),
            suspect=self.suspect[which],
            first=self.first[which],
            second=self.second[which],
            count=self.count[which],
            run=self.run[which],
            kind=self.kind[which],
            size=self.size[:, which],
            weight=self.weight[which],
            read=self.read[:, :, which],
        )

    def overlay(self) -> Overlay | None:
        """What has a size, laid over the ladder; None when nothing has."""
        if not (self.run >= 0).any():
            return None
        return overlay_of(self.run, self.kind, self.size)


def left(problem: Problem, measurements: Sequence[Measurement], pull_up_ohm: float | None) -> Members:
    """All suppositions that every measurement allows, the likeliest first."""
    windows = [window(measurement) for measurement in measurements]
    plain = _plain(problem, measurements, windows, pull_up_ohm)
    sized = _sized(problem, measurements, windows, pull_up_ohm)
    joined = Members(
        columns=Columns(
            np.concatenate([plain.columns.operated, sized.columns.operated], axis=1),
            np.concatenate([plain.columns.fitting, sized.columns.fitting], axis=1),
            np.concatenate([plain.columns.end, sized.columns.end]),
        ),
        suspect=np.concatenate([plain.suspect, sized.suspect]),
        first=np.concatenate([plain.first, sized.first]),
        second=np.concatenate([plain.second, sized.second]),
        count=np.concatenate([plain.count, sized.count]),
        run=np.concatenate([plain.run, sized.run]),
        kind=np.concatenate([plain.kind, sized.kind]),
        size=np.concatenate([plain.size, sized.size], axis=1),
        weight=np.concatenate([plain.weight, sized.weight]),
        read=np.concatenate([plain.read, sized.read], axis=2),
    )
    joined = joined.take(_telling(joined))
    order = np.argsort(-joined.weight, kind="stable")
    found = joined.take(order)
    total = found.weight.sum()
    if total > 0:
        found.weight = found.weight / total
    return found


def _telling(members: Members) -> Whole:
    """Without faults that go with a function operated where it does not show: behind a short or a cut. Nothing speaks
    for that function, and the fault alone is among the suppositions."""
    fault = (members.suspect + 1) * 1_000_000 + (members.run + 1) * 10 + members.kind + 1
    alone = np.flatnonzero((fault > 0) & (members.first < 0))
    if not alone.size:
        return np.arange(len(members))
    alone = alone[np.argsort(fault[alone], kind="stable")]
    twin = alone[np.minimum(np.searchsorted(fault[alone], fault), alone.size - 1)]
    # Open circuits are alike, which their difference does not say.
    with np.errstate(invalid="ignore"):
        far = (members.read != members.read[:, :, twin]) & ~(np.abs(members.read - members.read[:, :, twin]) < 1e-6)
    idle = (fault[twin] == fault) & (members.first >= 0) & ~far.any(axis=(0, 1))
    return np.flatnonzero(~idle)


def _plain(
    problem: Problem, measurements: Sequence[Measurement], windows: Sequence[Window], pull_up_ohm: float | None
) -> Members:
    which = np.arange(len(problem.plain))
    weight = problem.plain.weight
    columns = problem.plain.columns
    reads: list[Array] = []
    for measurement, seen in zip(measurements, windows, strict=True):
        read = readings(problem.tables, columns, measurement, pull_up_ohm)
        good = np.flatnonzero(possible(read, seen))
        read = read[:, good]
        which, columns = which[good], columns.take(good)
        weight = weight[good] * density(read, seen)
        reads = [*(earlier[:, good] for earlier in reads), read]
    some = problem.plain
    none = np.full(which.shape, -1)
    return Members(
        columns,
        some.suspect[which],
        some.first[which],
        some.second[which],
        some.count[which],
        run=none,
        kind=none,
        size=np.zeros((3, which.size)),
        weight=weight,
        read=np.stack(reads),
    )


def _sized(
    problem: Problem, measurements: Sequence[Measurement], windows: Sequence[Window], pull_up_ohm: float | None
) -> Members:
    some = problem.sized
    which = np.arange(len(some))
    limits = np.array([_RANGE[kind] for kind in SIZED])[problem.kinds].T
    least, greatest = limits[0], limits[1]
    middles = np.array([_MIDDLE[kind] for kind in SIZED])
    for measurement, seen in zip(measurements, windows, strict=True):
        kind, run = problem.kinds[which], problem.runs[which]
        columns = some.columns.take(which)
        curve = []
        for size in (np.zeros(which.size), middles[kind], np.full(which.size, np.inf)):
            # The share of a run, which ends at 1, as a size from 0 to infinity: x / (1 + x).
            with np.errstate(invalid="ignore"):
                share = np.where(np.isinf(size), 1.0, size / (1.0 + size))
            taken = np.where(kind == SIZED.index("short"), share, size)
            overlay = overlay_of(run, kind, np.broadcast_to(taken, (3, which.size)))
            curve.append(readings(problem.tables, columns, measurement, pull_up_ohm, overlay))
        low, high, good = sizes(curve[0], curve[1], curve[2], middles[kind], seen)
        short = kind == SIZED.index("short")
        with np.errstate(invalid="ignore"):
            low = np.where(short, np.where(np.isinf(low), 1.0, low / (1.0 + low)), low)
            high = np.where(short, np.where(np.isinf(high), 1.0, high / (1.0 + high)), high)
        least, greatest = np.maximum(least, low), np.minimum(greatest, high)
        keep = np.flatnonzero(good & (least <= greatest))
        which, least, greatest = which[keep], least[keep], greatest[keep]
    kind, run = problem.kinds[which], problem.runs[which]
    columns = some.columns.take(which)
    size = np.stack([_likely(kind, least, greatest), least, greatest])
    at_likely = np.broadcast_to(size[0], size.shape)
    weight = some.weight[which] * _share(kind, least, greatest)
    reads = []
    for measurement, seen in zip(measurements, windows, strict=True):
        read = readings(problem.tables, columns, measurement, pull_up_ohm, overlay_of(run, kind, size))
        if not seen.open:
            narrow = readings(problem.tables, columns, measurement, pull_up_ohm, overlay_of(run, kind, at_likely))
            # The prior of the sizes that are possible, over the readings that each of them could give.
            weight = weight / (np.maximum(narrow[2] - narrow[1], 0.0) + 2 * max(seen.off_ohm, 1e-3))
        reads.append(np.stack([read[0], np.minimum(read[1], read[2]), np.maximum(read[1], read[2])]))
    return Members(
        columns,
        some.suspect[which],
        some.first[which],
        some.second[which],
        some.count[which],
        run=run,
        kind=kind,
        size=size,
        weight=weight,
        read=np.stack(reads),
    )


def _likely(kind: Whole, least: Array, greatest: Array) -> Array:
    leak = kind == SIZED.index("leak")
    found: Array = np.where(leak, np.sqrt(np.maximum(least * greatest, 0.0)), (least + greatest) / 2)
    return found


def _share(kind: Whole, least: Array, greatest: Array) -> Array:
    """Share of the sizes that lie between two."""
    joint = priors.joint_share_below(greatest) - priors.joint_share_below(least)
    with np.errstate(divide="ignore", invalid="ignore"):
        leak = np.log(greatest / least) / priors.LEAK_DECADES
    # A run without length is one point: a short of it is as likely as the whole run.
    short = greatest - least
    found = np.choose(kind, [np.asarray(joint), leak, short]) if kind.size else np.zeros(0)
    # Of a single size only the width of rounding is left.
    share: Array = np.maximum(np.nan_to_num(found), 1e-12)
    return share
