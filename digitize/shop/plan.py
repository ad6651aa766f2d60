"""Everything about one outline before wood is cut: corners, grain, feed, rough cut, depth, and what to beware of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from digitize.model.errors import DigitizeError, InputError
from digitize.model.outline import Outline
from digitize.shop import cautions
from digitize.shop.corners import (
    Corner,
    CutterCorners,
    Pair,
    Remainder,
    best_pair,
    corner_table,
    largest_clean,
    numbered_corners,
)
from digitize.shop.cutter import Cutter, default_rack
from digitize.shop.depth import NEAR, DepthPlan, Machine, Side, depth_plan
from digitize.shop.feed import Run, bearing_place, feed_runs
from digitize.shop.fibre import edge_steps
from digitize.shop.grain import EdgeGrain, GrainSweep, edge_grain, grain_sweep
from digitize.shop.roughcut import ALLOWANCE_MM, RoughCut, rough_cut


@dataclass(frozen=True)
class Choice:
    """Which cutters to use: one that leaves nothing, a pair for bulk and details, or the one that leaves least.

    left : what the last of them leaves for chisel, file or saw, as far as the outline can tell
    """

    clean: Cutter | None
    pair: Pair | None
    used: tuple[Cutter, ...]
    left: tuple[Remainder, ...]


@dataclass(frozen=True)
class Plan:
    """The plan for one outline, which is seen from above its drawn face throughout.

    pattern_on, bearing : where the pattern lies, as the work lies at the machine, and which bearing runs on it
    grain_deg, grain : None where the direction was not told
    sweep : how every direction of grain would do
    table : one row for each cutter, largest first
    runs : in the order to cut them
    rough : None where it cannot be done; depth : of each cutter in use, empty where the stock is not known
    cautions : the general ones first, and what could not be planned
    """

    outline: Outline
    machine: Machine
    pattern_on: Side
    bearing: Literal["shank", "tip"]
    flipped: bool
    stock_mm: float | None
    pattern_mm: float | None
    grain_deg: float | None
    grain: EdgeGrain | None
    sweep: GrainSweep
    corners: tuple[Corner, ...]
    table: tuple[CutterCorners, ...]
    choice: Choice
    runs: tuple[Run, ...]
    rough: RoughCut | None
    depth: tuple[DepthPlan, ...]
    cautions: tuple[str, ...]

    @property
    def best_grain_deg(self) -> float:
        return self.sweep.best_deg


def plan(
    outline: Outline,
    *,
    grain_deg: float | None = None,
    cutters: Sequence[Cutter] | None = None,
    stock_mm: float | None = None,
    pattern_mm: float | None = None,
    machine: Machine = "table",
    pattern_on: Side | None = None,
    flipped: bool = False,
    allowance_mm: float = ALLOWANCE_MM,
    blade_mm: float | None = None,
    plunge_mm: float | None = None,
    runout: float = 0.0,
    uncertainty_mm: float = 0.0,
) -> Plan:
    """The routing plan for an outline.

    grain_deg : direction of the fibres, counter-clockwise from the x axis; None plans without grain
    cutters : None for those of ``default_rack``
    stock_mm, pattern_mm : thicknesses; None where unknown, and then no cutter's depth can be set
    machine : "hand" for a hand-held router, "table" for a router table
    pattern_on : where the pattern lies, as the work lies at the machine; None where a bearing at the shank runs on it
    flipped : whether the work lies with its drawn face down
    allowance_mm, blade_mm : of the saw line outside the edge; width of the blade at hand
    plunge_mm : how far the router lets the cutter stand out, where known
    runout : slope of the fibres through the thickness, rise over run
    uncertainty_mm : what the edge's place may be off by

    Whatever cannot be planned is told in the cautions, and the rest of the plan is given.

    Raises
    ------
    InputError if the grain is no angle, or the runout or the uncertainty is below zero
    """
    _check(grain_deg, runout, uncertainty_mm)
    side = pattern_on or NEAR[machine]
    steps = edge_steps(outline)
    sweep = grain_sweep(outline, steps)
    grain = None if grain_deg is None else edge_grain(outline, math.radians(grain_deg), steps, runout)
    runs = feed_runs(outline, steps, grain, machine, flipped)
    table = corner_table(outline, default_rack().cutters if cutters is None else cutters, uncertainty_mm)
    depths, no_depth = _depths([r.cutter for r in table], pattern_mm, stock_mm, machine, side, plunge_mm)
    choice = _choice(table, [d.cutter for d in depths if d.possible], bearing_place(machine, side))
    depth = tuple(d for cutter in choice.used for d in depths if d.cutter == cutter)
    rough, no_rough = _rough(outline, allowance_mm, blade_mm)
    return Plan(
        outline=outline,
        machine=machine,
        pattern_on=side,
        bearing=bearing_place(machine, side),
        flipped=flipped,
        stock_mm=stock_mm,
        pattern_mm=pattern_mm,
        grain_deg=None if grain_deg is None else grain_deg % 180.0,
        grain=grain,
        sweep=sweep,
        corners=numbered_corners(outline),
        table=table,
        choice=choice,
        runs=runs,
        rough=rough,
        depth=depth,
        cautions=(
            *cautions.GENERAL,
            *cautions.of_size(outline, choice.used),
            *cautions.of_feed(runs),
            *cautions.of_grain(grain, sweep),
            *cautions.of_corners(table, choice.used, choice.left),
            *cautions.of_depth(depth),
            *no_depth,
            *(rough.cautions if rough else ()),
            *no_rough,
        ),
    )


def _check(grain_deg: float | None, runout: float, uncertainty_mm: float) -> None:
    if grain_deg is not None and not math.isfinite(grain_deg):
        raise InputError(f"A grain direction of {grain_deg:g}° is no angle", "give degrees from the x axis, like 30")
    if not (0 <= runout < math.inf and 0 <= uncertainty_mm < math.inf):
        raise InputError("A slope of grain or an uncertainty below zero is none", "give zero where nothing is known")


def _choice(table: Sequence[CutterCorners], possible: Sequence[Cutter], bearing: str) -> Choice:
    """The cutters to use, of those that can cut the depth where any can, else that have a bearing at the right end."""
    fitting = [row for row in table if row.cutter.bearing in (bearing, "both")]
    rows = [row for row in table if row.cutter in possible] or fitting or list(table)
    clean = largest_clean(rows)
    pair = None if clean else best_pair(rows)
    if clean or not rows:
        return Choice(clean, None, (clean,) if clean else (), ())
    least = min(row.area_mm2 for row in rows)
    last = pair.detail if pair else next(row.cutter for row in rows if row.area_mm2 <= least)
    left = next(row.remainders for row in rows if row.cutter == last)
    used = (pair.bulk, pair.detail) if pair else (last,)
    return Choice(None, pair, used, tuple(r for r in left if r.certain))


def _depths(
    cutters: Sequence[Cutter],
    pattern_mm: float | None,
    stock_mm: float | None,
    machine: Machine,
    side: Side,
    plunge_mm: float | None,
) -> tuple[tuple[DepthPlan, ...], tuple[str, ...]]:
    """The set-up of every cutter, or a sentence that says why there is none."""
    if stock_mm is None:
        return (), ("The stock's thickness was not given, so no depth can be set: give it to plan the passes.",)
    try:
        return tuple(depth_plan(c, pattern_mm, stock_mm, machine, side, plunge_mm) for c in cutters), ()
    except DigitizeError as error:
        return (), (str(error),)


def _rough(outline: Outline, allowance_mm: float, blade_mm: float | None) -> tuple[RoughCut | None, tuple[str, ...]]:
    try:
        return rough_cut(outline, allowance_mm, blade_mm), ()
    except DigitizeError as error:
        return None, (str(error),)
