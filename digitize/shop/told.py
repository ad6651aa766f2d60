"""What a plan says: the values for machines, the lines for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from digitize.model.segment import Point
from digitize.shop.corners import CutterCorners, Remainder
from digitize.shop.cutter import Cutter
from digitize.shop.depth import DepthPlan
from digitize.shop.feed import Run
from digitize.shop.fragile import Tip
from digitize.shop.plan import Plan
from digitize.shop.roughcut import RoughCut

SWEEP_STEP = 5  # of the sweep's directions, every so many are told


def values(found: Plan) -> dict[str, Any]:
    """The plan as JSON holds it: places and lengths in mm, angles in degrees counter-clockwise from the x axis."""
    return {
        "machine": found.machine,
        "pattern_on": found.pattern_on,
        "bearing": found.bearing,
        "flipped": found.flipped,
        "grain_deg": found.grain_deg,
        "best_grain_deg": found.best_grain_deg,
        "grain_matters": found.sweep.matters,
        "grain_sweep": _sweep(found),
        "runs": [_run(r) for r in found.runs],
        "corners": [
            {"number": c.number, "loop": c.loop, "at_mm": _at(c.at), "turn_deg": round(math.degrees(c.turn), 2)}
            for c in found.corners
        ],
        "cutters": [
            {**_cutter(row.cutter), "clean": row.clean, "area_mm2": _rounded(row.area_mm2)} for row in found.table
        ],
        "used": [c.name for c in found.choice.used],
        "remainders": [_remainder(row.cutter, r) for row in found.table for r in row.remainders],
        "left": [_remainder(found.choice.used[-1], r) for r in found.choice.left],
        "tips": [_tip(t) for t in (found.grain.tips if found.grain else ())],
        "rough": _rough(found.rough) if found.rough else None,
        "stock_mm": found.stock_mm,
        "pattern_mm": found.pattern_mm,
        "depth": [_depth(d) for d in found.depth],
        "cautions": list(found.cautions),
    }


def rows(found: Plan) -> list[tuple[str, str]]:
    """The same as lines, each with its label; cautions first."""
    lines = [("Caution", c) for c in found.cautions]
    lines += [("Set-up", setup_words(found)), ("Grain", grain_words(found))]
    lines += [("Fragile", tip_words(t)) for t in (found.grain.tips if found.grain else ())]
    lines += [(f"Run {r.order}", run_words(r)) for r in found.runs]
    lines += [("Cutter", line) for line in cutter_words(found)]
    lines += [("Corner", line) for line in left_lines(found)]
    lines += [("Saw", line) for line in (saw_words(found.rough) if found.rough else ())]
    return lines + [("Depth", line) for line in depth_words(found.depth)]


def setup_words(found: Plan) -> str:
    """Machine, and where pattern and bearing are."""
    machine = "router table" if found.machine == "table" else "hand-held router"
    face = "down" if found.flipped else "up"
    place = "on top" if found.pattern_on == "top" else "below"
    return f"{machine}, drawn face {face}, pattern {place}, bearing at the {found.bearing}"


def grain_words(found: Plan) -> str:
    """The direction that was told, and the one that would be best."""
    best = f"{found.best_grain_deg:.0f}°" + ("" if found.sweep.matters else ", though no direction is clearly better")
    told = "not told" if found.grain_deg is None else f"along {found.grain_deg:g}°"
    return f"{told}; the part is strongest along {best} (counter-clockwise from the x axis)"


def tip_words(tip: Tip) -> str:
    """One fragile place."""
    weak = f"{tip.strength_ratio:.0%} of its strength along the grain"
    if tip.kind == "tip":
        fibres = f"fibres at most {tip.fibre_mm:.1f} mm long"
        return f"tip at {_place(tip.at)}: the last {tip.reach_mm:.0f} mm, {fibres}, {weak}"
    return f"{tip.kind} at {_place(tip.at)}: {tip.width_mm:.1f} mm wide, fibres {tip.fibre_mm:.1f} mm long, {weak}"


def run_words(run: Run) -> str:
    loop = "outside" if run.loop == 0 else f"hole {run.loop}"
    way = run.travel if run.loop == 0 else f"{run.travel} round the hole"
    whole = "all round" if math.dist(run.start, run.end) < 1e-6 and run.length_mm > 1.0 else f"to {_place(run.end)}"
    kind = {"end": ", end grain", "long": ", long grain"}.get(run.grain, "")
    return f"{loop}, {run.feed} feed, cutter {way}, from {_place(run.start)} {whole}, {run.length_mm:.0f} mm{kind}"


def cutter_words(found: Plan) -> list[str]:
    """Which cutters to use, and their top speeds."""
    choice = found.choice
    if choice.clean:
        said = [f"{choice.clean.name} ({speed_words(choice.clean)}) leaves nothing anywhere"]
    elif choice.pair:
        bulk, detail = choice.pair.bulk, choice.pair.detail
        said = [
            f"{bulk.name} for the bulk ({speed_words(bulk)})",
            f"{detail.name} for the details ({speed_words(detail)})",
        ]
    else:
        said = [f"{c.name} leaves least ({speed_words(c)})" for c in choice.used]
    return [*said, "speeds are common practice, a cutter's own marking rules"] if said else []


def speed_words(cutter: Cutter) -> str:
    """Its top speed."""
    speed = cutter.top_speed_rpm
    return f"at most {speed:,} rpm".replace(",", " ") if speed else "slower than any common speed table tells"


def left_places(found: Plan) -> list[tuple[str, Point]]:
    """A name and a point for each place that a cutter in use leaves something in: its corners' numbers, or a letter."""
    places: list[tuple[str, Point]] = []
    letters = iter("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    for row in _used_rows(found):
        for r in row.remainders:
            if r.certain and _named(found, places, r) is None:
                places.append((_numbers(found, r) or next(letters, "…"), r.at))
    return places


def left_lines(found: Plan) -> list[str]:
    """What each cutter in use leaves in each of those places."""
    places, lines = left_places(found), []
    for row in _used_rows(found):
        certain = [r for r in row.remainders if r.certain]
        last = row.cutter == found.choice.used[-1]
        if certain:
            lines.append(f"{row.cutter.name} leaves" + (" for chisel, file or saw:" if last else ":"))
            lines += [f"   {_named(found, places, r)}: {_left(r)}" for r in certain]
    return lines


def _used_rows(found: Plan) -> list[CutterCorners]:
    return [row for cutter in found.choice.used for row in found.table if row.cutter == cutter]


def _numbers(found: Plan, left: Remainder) -> str:
    """Of the inside corners in what is left."""
    return ", ".join(str(c.number) for c in found.corners if c.number in left.corners and c.inside)


def _named(found: Plan, places: Sequence[tuple[str, Point]], left: Remainder) -> str | None:
    """What the place of a remainder is called; without corners it is the nearest place within its depth."""
    if numbers := _numbers(found, left):
        return next((name for name, _ in places if name == numbers), None)
    near = [(math.dist(at, left.at), name) for name, at in places if not name[0].isdigit()]
    return min((known for known in near if known[0] <= max(left.depth_mm, 2.0)), default=(0.0, None))[1]


def _left(left: Remainder) -> str:
    if not left.enters:
        return f"{left.kind} {left.clear_mm:.1f} mm wide, it does not enter"
    return f"{left.depth_mm:.2f} mm deep, {left.area_mm2:.1f} mm²"


def saw_words(rough: RoughCut) -> list[str]:
    """The saw line, the blade and what to drill."""
    if rough.widest_blade_mm is None:
        blade = "no common band-saw blade turns its tightest curve"
    else:
        blade = f"band-saw blade up to {rough.widest_blade_mm:g} mm wide"
    said = [f"{rough.allowance_mm:g} mm outside the line, {blade}"]
    said += [f"drill {d.diameter_mm:g} mm at {_place(d.at)}" for d in rough.drills]
    return said


def depth_words(depth: Sequence[DepthPlan]) -> list[str]:
    """Passes and notes of all cutters in use; a note that several share is told once."""
    said = [line for d in depth for line in _passes(d)]
    notes = [(d.cutter.name, note) for d in depth for note in d.notes]
    shared = [n for _, n in notes if sum(n == other for _, other in notes) > 1]
    said += [f"{name}: {note}" if len(depth) > 1 else note for name, note in notes if note not in shared]
    return said + list(dict.fromkeys(shared))


def _passes(depth: DepthPlan) -> list[str]:
    name = depth.cutter.name
    if not depth.possible:
        return [f"{name}: {p}" for p in depth.problems]
    out = ", then ".join(
        f"{p.reach_mm:.1f} mm" + (" on the cut edge" if p.rides_on == "cut edge" else "") for p in depth.passes
    )
    count = "1 pass" if len(depth.passes) == 1 else f"{len(depth.passes)} passes"
    return [f"{name}: {count} of {depth.passes[0].depth_mm:.1f} mm, cutting edges out {out}"]


def _place(at: Point) -> str:
    x, y = (round(v, 1) + 0.0 for v in at)  # never -0.0
    return f"({x:.1f}, {y:.1f})"


def _rounded(value: float) -> float:
    return round(value, 4)


def _at(point: Point) -> list[float]:
    return [_rounded(point[0]), _rounded(point[1])]


def _sweep(found: Plan) -> list[dict[str, float]]:
    sweep = found.sweep
    columns = zip(sweep.angles_deg, sweep.score, sweep.weakest, sweep.fragile_mm, sweep.against_mm, strict=True)
    names = ("grain_deg", "score", "weakest", "fragile_mm", "against_mm")
    return [dict(zip(names, map(_rounded, map(float, row)), strict=True)) for row in list(columns)[::SWEEP_STEP]]


def _run(run: Run) -> dict[str, Any]:
    return {
        "order": run.order,
        "loop": run.loop,
        "start_mm": _rounded(run.start_mm),
        "end_mm": _rounded(run.end_mm),
        "length_mm": _rounded(run.length_mm),
        "feed": run.feed,
        "travel": run.travel,
        "along_loop": run.forward,
        "grain": run.grain,
        "uphill_mm": _rounded(run.uphill_mm),
        "from_tip": run.from_tip,
        "start_at_mm": _at(run.start),
        "end_at_mm": _at(run.end),
    }


def _cutter(cutter: Cutter) -> dict[str, Any]:
    return {
        "cutter": cutter.name,
        "cutter_mm": cutter.diameter_mm,
        "bearing": cutter.bearing,
        "offset_mm": _rounded(cutter.offset_mm),
        "top_speed_rpm": cutter.top_speed_rpm,
    }


def _remainder(cutter: Cutter, left: Remainder) -> dict[str, Any]:
    return {
        "cutter": cutter.name,
        "cutter_mm": cutter.diameter_mm,
        "loop": left.loop,
        "at_mm": _at(left.at),
        "area_mm2": _rounded(left.area_mm2),
        "depth_mm": _rounded(left.depth_mm),
        "kind": left.kind,
        "radius_left_mm": _rounded(left.radius_left_mm),
        "enters": left.enters,
        "clear_mm": _rounded(left.clear_mm),
        "corners": list(left.corners),
        "certain": left.certain,
    }


def _tip(tip: Tip) -> dict[str, Any]:
    return {
        "kind": tip.kind,
        "loop": tip.loop,
        "at_mm": _at(tip.at),
        "along_mm": _rounded(tip.along_mm),
        "fibre_mm": _rounded(tip.fibre_mm),
        "width_mm": _rounded(tip.width_mm),
        "reach_mm": _rounded(tip.reach_mm),
        "angle_deg": round(math.degrees(tip.angle), 2),
        "strength_ratio": _rounded(tip.strength_ratio),
        "impact_ratio": _rounded(tip.impact_ratio),
        "compression_ratio": _rounded(tip.compression_ratio),
    }


def _rough(rough: RoughCut) -> dict[str, Any]:
    return {
        "allowance_mm": rough.allowance_mm,
        "tightest_mm": None if rough.tightest_mm is None else _rounded(rough.tightest_mm),
        "widest_blade_mm": rough.widest_blade_mm,
        "drills": [{"at_mm": _at(d.at), "diameter_mm": d.diameter_mm, "loop": d.loop} for d in rough.drills],
        "reliefs": [{"start_mm": _at(r.start), "end_mm": _at(r.end)} for r in rough.reliefs],
    }


def _depth(depth: DepthPlan) -> dict[str, Any]:
    passes: Sequence[dict[str, Any]] = [
        {"depth_mm": _rounded(p.depth_mm), "reach_mm": _rounded(p.reach_mm), "rides_on": p.rides_on}
        for p in depth.passes
    ]
    return {
        "cutter": depth.cutter.name,
        "cutter_mm": depth.cutter.diameter_mm,
        "possible": depth.possible,
        "passes": passes,
        "pattern_off_after": depth.pattern_off_after,
        "problems": list(depth.problems),
        "notes": list(depth.notes),
    }
