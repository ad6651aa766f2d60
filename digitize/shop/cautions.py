"""What to beware of, in sentences: first what holds for all routing, then what this part, cutter and wood bring along.

Common practice throughout, and no substitute for the machine's manual, local rules and licensed practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from digitize.model.outline import Outline
from digitize.shop.corners import CutterCorners, Remainder
from digitize.shop.cutter import Cutter
from digitize.shop.depth import DepthPlan
from digitize.shop.feed import Run
from digitize.shop.fragile import Tip
from digitize.shop.grain import EdgeGrain, GrainSweep

SMALL_MM = 150.0  # a part less long brings the hands near the cutter: 6 in, common practice
LARGE_MM = 38.1  # from 1-1/2 in on cutters belong in a table: common practice
LESS_GOOD = 1.5  # times the best direction's score is worth a word
LESS_MM2 = 5.0  # another set-up is worth it for no less than this
NAMED = 6  # places in one sentence
GENERAL = (
    "The machine's manual, the cutter's marking, local rules and licensed practice come before this plan.",
    "Wear eye and ear protection, keep the guards on, and unplug the machine before touching a cutter.",
    "Fix work and pattern so that they cannot shift; keep hands, sleeves and hair away from the cutter.",
    "Enter slowly with a starting pin, a held edge or a fence to lean on, never freehand into a corner.",
)


def of_size(outline: Outline, used: Sequence[Cutter]) -> tuple[str, ...]:
    """Small parts, and parts no larger than the cutter."""
    x0, y0, x1, y1 = outline.bounds()
    long, short = max(x1 - x0, y1 - y0), min(x1 - x0, y1 - y0)
    said = []
    if long < SMALL_MM:
        said.append(
            f"Small part ({long:.0f} mm long, less than {SMALL_MM:.0f} mm): rout it before it is cut from a "
            "larger board, or in a holder with handles, not held by hand."
        )
    largest = max((c.diameter_mm for c in used), default=0.0)
    if largest >= short:
        said.append(
            f"The part is {short:.1f} mm across and the cutter {largest:g} mm: leave it on a "
            "larger board while it is cut."
        )
    if largest > LARGE_MM:
        said.append(f"A cutter of {largest:g} mm belongs in a router table at low speed, not in a hand-held router.")
    return tuple(said)


def of_feed(runs: Sequence[Run]) -> tuple[str, ...]:
    """Climb cuts, and edge that is fed uphill because it is too short for a run."""
    said = []
    climbs = [str(r.order) for r in runs if r.feed == "climb"]
    if climbs:
        said.append(
            f"Climb cut in run{'s' if len(climbs) > 1 else ''} {_listed(climbs)}: the cutter pulls itself along "
            "and can run away; very light passes, firm hold, or turn work and pattern over and use the bearing at the "
            "other end."
        )
    uphill = [f"{r.order} ({r.uphill_mm:.0f} mm)" for r in runs if r.uphill_mm >= 1.0]
    if uphill:
        said.append(
            "Some edge too short for a run of its own, or beside a fragile tip, goes against the grain in run "
            f"{_listed(uphill)}: light passes."
        )
    return tuple(said)


def of_grain(grain: EdgeGrain | None, sweep: GrainSweep) -> tuple[str, ...]:
    """Fragile places; a grain direction that was not told, or that another one would beat."""
    best = f"{sweep.best_deg:.0f}°"
    advice = f"along {best} the part would be strongest" if sweep.matters else "no direction is clearly better"
    if grain is None:
        return (
            f"No grain direction was given: every loop is fed the ordinary way, and fragile tips are "
            f"not looked for ({advice}).",
        )
    said = []
    if grain.tips:
        places = [_at(t) for t in grain.tips]
        weakest = min(t.strength_ratio for t in grain.tips)
        said.append(
            f"Short grain at {_listed(places)}, down to {weakest:.0%} of the strength along it: light cuts from the "
            "tip inward, support it with waste left on or a backing block."
        )
    degrees = math.degrees(grain.direction) % 180
    if sweep.matters and sweep.at(degrees) > LESS_GOOD * sweep.score.min():
        said.append(f"With the grain along {best} instead of {degrees:.0f}° the part would be stronger.")
    return tuple(said)


def of_corners(table: Sequence[CutterCorners], used: Sequence[Cutter], left: Sequence[Remainder]) -> tuple[str, ...]:
    """Nothing in the rack; places where the cutter does not get in; bearings of another size than their cutter."""
    if not table:
        return ("The rack is empty: add cutters to it, or the corners cannot be planned.",)
    said = []
    for what in ("hole", "slot"):
        narrow = [r for r in left if r.kind == what and not r.enters]
        if narrow:
            places = _listed([f"({r.at[0]:.0f}, {r.at[1]:.0f})" for r in narrow])
            least = min(r.clear_mm for r in narrow)
            said.append(
                f"The smallest cutter in use ({used[-1].diameter_mm:g} mm) does not enter the {what} at {places}, "
                f"{least:.1f} mm wide: drill, saw or chisel it."
            )
    for cutter in used:
        if abs(cutter.offset_mm) > 1e-9:
            where = "outside" if cutter.offset_mm > 0 else "inside"
            said.append(
                f"{cutter.name}: its bearing is not as large as its edges, so the cut lies "
                f"{abs(cutter.offset_mm):.2f} mm {where} the pattern's edge: make the pattern so much smaller or "
                "larger, or change the bearing."
            )
    remaining = math.fsum(r.area_mm2 for r in left)
    for row in sorted(table, key=lambda row: row.area_mm2)[:1]:
        if remaining - row.area_mm2 > LESS_MM2 and row.cutter.bearing not in ("none", "both"):
            said.append(
                f"“{row.cutter.name}” would leave less ({row.area_mm2:.0f} mm² in all) with the pattern on the other "
                f"side, for its bearing is at the {row.cutter.bearing}."
            )
    return tuple(said)


def of_depth(depth: Sequence[DepthPlan]) -> tuple[str, ...]:
    """What the set-up of each cutter cannot do."""
    return tuple(f"{d.cutter.name}: {problem}" for d in depth for problem in d.problems)


def _at(tip: Tip) -> str:
    return f"({tip.at[0]:.0f}, {tip.at[1]:.0f})"


def _listed(words: Sequence[str]) -> str:
    more = f" and {len(words) - NAMED} more" if len(words) > NAMED else ""
    return ", ".join(words[:NAMED]) + more
