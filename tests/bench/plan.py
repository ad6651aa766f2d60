"""How long a plan takes, and what it says of the practice shapes.

    python -m tests.bench.plan [PRACTICE_FOLDER]

Times are CPU seconds, the best of five runs, of outlines up to 2 000 pieces with twelve cutters and the sweep of 180
directions. Then, where the folder is given (truth.json, truth/), the plan of each true outline, its grain along x:
runs, edge left uphill, fragile places, the best direction, and what the simulated cutter of the tests says of the runs.
"""

import argparse
import json
import math
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Spline, as_point
from digitize.shop.corners import corner_table
from digitize.shop.cutter import default_rack
from digitize.shop.feed import feed_runs
from digitize.shop.fibre import edge_steps
from digitize.shop.grain import edge_grain, grain_sweep
from digitize.shop.plan import plan
from tests.bench.scenes_on_disk import scenes
from tests.shop.parts import ring
from tests.shop.test_feed import STATIONS, simulated

RUNS = 5
GRAIN_DEG = 20.0
PIECES = (20, 200, 2000)


def waves(pieces: int) -> Outline:
    """A round part of half circles, alternately out and in."""
    count = pieces // 2 * 2
    angles = np.linspace(0, 2 * math.pi, count, endpoint=False)
    points = 200.0 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    segments = []
    for i, (a, b) in enumerate(zip(points, np.roll(points, -1, axis=0), strict=True)):
        bulge = 0.35 if i % 2 else -0.35
        segments.append(_bulged(a, b, bulge))
    return Outline.of(Loop(tuple(segments)))


def _bulged(a: np.ndarray, b: np.ndarray, bulge: float) -> Arc:
    """The arc from a to b that turns by 4 atan(bulge)."""
    sweep = 4 * math.atan(bulge)
    chord = b - a
    length = math.hypot(*chord)
    radius = abs(length / (2 * math.sin(sweep / 2)))
    normal = np.array([-chord[1], chord[0]]) / length
    centre = (a + b) / 2 + normal * math.copysign(math.sqrt(max(0.0, radius**2 - length**2 / 4)), sweep)
    start = a - centre
    return Arc(as_point(centre), radius, math.atan2(start[1], start[0]), sweep)


def comb(pieces: int) -> Outline:
    """Teeth of 4 mm with slots of 5 mm, 20 deep: lines only."""
    teeth = max(2, pieces // 4)
    corners = [(0.0, 0.0), (9.0 * teeth - 5, 0.0)]
    for i in reversed(range(teeth)):
        x = 9.0 * i
        corners += [(x + 4, 40.0), (x, 40.0)] + ([(x, 20.0), (x - 5, 20.0)] if i else [])
    return Outline.of(ring(corners))


def sweeps(pieces: int) -> Outline:
    """A round part of cubic splines, one for two pieces of the others."""
    angles = np.linspace(0, 2 * math.pi, pieces + 1)
    radii = 200 + 6 * np.sin(17 * angles)
    points = radii[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    points[-1] = points[0]
    tangents = np.gradient(points, axis=0)
    tangents[0] = tangents[-1] = (points[1] - points[-2]) / 2
    knots = (0.0,) * 4 + (1.0,) * 4
    return Outline.of(
        Loop(
            tuple(
                Spline(tuple(map(as_point, (a, a + u / 3, b - v / 3, b))), knots)
                for a, b, u, v in zip(points, points[1:], tangents, tangents[1:], strict=False)
            )
        )
    )


def seconds(work: Callable) -> float:
    best = math.inf
    for _ in range(RUNS):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return best


def times() -> None:
    cutters = default_rack().cutters
    print(f"CPU seconds, {len(cutters)} cutters, 180 directions of grain")
    print("shape     pieces    steps    sweep    grain     feed  corners    whole")
    for make in (waves, comb, sweeps):
        for pieces in PIECES:
            outline = make(pieces)
            steps = edge_steps(outline)
            grain = edge_grain(outline, math.radians(GRAIN_DEG), steps)
            row = [
                seconds(lambda o=outline: edge_steps(o)),
                seconds(lambda o=outline, s=steps: grain_sweep(o, s)),
                seconds(lambda o=outline, s=steps: edge_grain(o, math.radians(GRAIN_DEG), s)),
                seconds(lambda o=outline, s=steps, g=grain: feed_runs(o, s, g, "table")),
                seconds(lambda o=outline: corner_table(o, cutters)),
                seconds(lambda o=outline: plan(o, grain_deg=GRAIN_DEG, stock_mm=19.0, pattern_mm=12.0)),
            ]
            figures = "".join(f"{s:9.3f}" for s in row)
            print(f"{make.__name__:<9}{len(outline.segments):7d}{figures}")


def practice(folder: Path) -> None:
    print("\nscene   runs  shortest  uphill mm  stray mm  fragile  best  chosen cutters")
    for scene in scenes(folder):
        for number, part in enumerate(json.loads(scene.truth.read_text())["outlines_world"]):
            outline = _true([part["outer"], *part.get("holes", [])])
            found = plan(outline, grain_deg=0.0, stock_mm=19.0, pattern_mm=12.0)
            stray = sum(_stray(outline, run) for run in found.runs)
            tips = len(found.grain.tips) if found.grain else 0
            best = f"{found.best_grain_deg:.0f}" if found.sweep.matters else "any"
            print(
                f"{scene.name}-{number:<4}{len(found.runs):4d}{min(r.length_mm for r in found.runs):10.1f}"
                f"{sum(r.uphill_mm for r in found.runs):11.1f}{stray:10.1f}{tips:9d}{best:>6}  "
                + ", ".join(c.name for c in found.choice.used)
            )


def _true(loops: list) -> Outline:
    rings = [ring(loop) for loop in loops]
    return Outline.of(rings[0], rings[1:])


def _stray(outline: Outline, run) -> float:
    """Length of a run that the simulated cutter would rather feed the other way."""
    lifted, _ = simulated(outline, 0.0, "table", False, run)
    bad = lifted if run.feed == "ordinary" else ~lifted
    return float(bad.sum() / STATIONS * run.length_mm)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    asked = parser.parse_args()
    times()
    if asked.folder and (asked.folder / "truth.json").exists():
        practice(asked.folder)
    else:
        print("\nNo practice folder: its shapes are left out.")
