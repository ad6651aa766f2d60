"""Corner analysis against a swept cutter, and its speed: python -m tests.bench.corners FOLDER [--step 0.02] [--finer]

FOLDER holds truth files (s??.json); without it only the random shapes and the speed are shown. --finer sweeps again,
for minutes, at a quarter of the step, where the areas differ by more than 1 %: there it is the sweep that is coarse.
"""

import argparse
import json
import time
from pathlib import Path

import numpy as np
import shapely
from shapely import affinity

from digitize.model.outline import Outline
from digitize.shop.corners import corner_table
from digitize.shop.roughcut import rough_cut
from tests.shop.shapes import cutter, polygon, toothed
from tests.shop.sweep import left_by_sweep

DIAMETERS = (3.0, 6.35, 12.7, 19.05)
RACK = (3, 6, 6.35, 8, 9.525, 10, 12, 12.7, 16, 19.05, 25.4, 28.575)
WITHIN = 0.01
CUSP_MM = 0.5  # a swept cutter's steps add to every place about so much times their size, in its two thin cusps
SLIVERS_MM2 = 0.05  # what the corners of a dense polygon keep, less deep than the chord error, is left out on purpose


def practice(folder):
    for path in sorted(Path(folder).glob("s??.json")):
        part = json.loads(path.read_text())["parts"][0]["outline_part_frame"]
        yield path.stem, Outline.of(ring(part["outer"]), [ring(hole) for hole in part["holes"]])


def ring(points):
    p = np.asarray(points, dtype=float)
    return polygon(p[np.hypot(*(p - np.roll(p, 1, axis=0)).T) > 1e-5])


def random_shapes(count):
    """Boxes and rounds thrown together, with slots cut through: corners of all angles, necks, bays and holes."""
    for seed in range(count):
        dice = np.random.default_rng(seed)
        pieces = []
        for x, y in dice.uniform(0, 120, (dice.integers(4, 14), 2)):
            if dice.random() < 0.4:
                pieces.append(shapely.Point(x, y).buffer(dice.uniform(4, 25), quad_segs=int(dice.integers(4, 120))))
            else:
                box = shapely.box(x, y, x + dice.uniform(5, 70), y + dice.uniform(5, 30))
                pieces.append(affinity.rotate(box, dice.uniform(0, 180)))
        for x, y in dice.uniform(10, 110, (dice.integers(0, 5), 2)):
            slot = shapely.box(x, y, x + dice.uniform(2, 14), y + dice.uniform(10, 60))
            pieces = [piece.difference(affinity.rotate(slot, dice.uniform(0, 180))) for piece in pieces]
        whole = shapely.union_all(pieces)
        part = max(getattr(whole, "geoms", [whole]), key=lambda p: p.area).simplify(1e-4)
        try:
            yield (
                f"random {seed}",
                Outline.of(ring(part.exterior.coords[:-1]), [ring(h.coords[:-1]) for h in part.interiors]),
            )
        except ValueError:  # two corners in one point
            continue


def compare(name, outline, step, finer):
    off = 0
    for row in corner_table(outline, [cutter(d) for d in DIAMETERS]):
        swept, _ = left_by_sweep(outline.polygon(), row.cutter.radius_mm, step)
        found = sum(r.area_mm2 for r in row.remainders)
        if finer and swept > SLIVERS_MM2 and abs(found - swept) > WITHIN * swept:
            swept, _ = left_by_sweep(outline.polygon(), row.cutter.radius_mm, step / 4)
        wrong = abs(found - swept) > WITHIN * swept + CUSP_MM * step * len(row.remainders) + SLIVERS_MM2
        off += wrong
        kinds = ", ".join(
            f"{sum(r.kind == k for r in row.remainders)} {k}" for k in ("corner", "curve", "slot", "hole")
        )
        share = f"{100 * (found / swept - 1):+6.2f} %" if swept > 0.05 else "        "
        numbers = f"{row.cutter.diameter_mm:6.3f} {swept:10.3f} {found:10.3f} {share}"
        print(f"{name:10s} {numbers} {kinds} {'<<<' if wrong else ''}")
    return off


def speed():
    outline, rack = toothed(), [cutter(d) for d in RACK]
    for what, work in (("12 cutters", lambda: corner_table(outline, rack)), ("saw line", lambda: rough_cut(outline))):
        spent = []
        for _ in range(3):
            began = time.process_time()
            work()
            spent.append(time.process_time() - began)
        print(f"{len(outline.segments)} pieces, {what}: {min(spent):.2f} s CPU")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", default="")
    parser.add_argument("--step", type=float, default=0.02)
    parser.add_argument("--random", type=int, default=0)
    parser.add_argument("--finer", action="store_true")
    given = parser.parse_args()
    speed()
    if not given.folder:
        print("no folder of truth files given: practice outlines skipped")
    shapes = [*(practice(given.folder) if given.folder else []), *random_shapes(given.random)]
    print("outline    cutter swept mm2 analysed")
    off = sum(compare(name, outline, given.step, given.finer) for name, outline in shapes)
    limit = f"{WITHIN:.0%} and {CUSP_MM * given.step:g} mm2 a place"
    print(f"{off} of {len(shapes) * len(DIAMETERS)} off by more than {limit}")


if __name__ == "__main__":
    main()
