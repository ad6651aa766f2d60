"""Do the stated uncertainties hold? ``python -m tests.bench.coverage [PRACTICE_FOLDER] [LAYOUTS]`` prints tables.

Synthetic layouts: a part beside 1 to 4 sheets, phone cameras nobody calibrated, every cause of error drawn from what
the budget assumes of it (print scale, arched sheets, thickness, grid points, lens, the edge's own scatter). Deviations
are across the true edge after the best rigid placement; a band of k = 2 should hold 92 to 98 % of them.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from digitize.files import read_photo
from digitize.model.outline import Contour
from digitize.model.segment import Points, moved_points
from digitize.model.sheet import PAPER_MM, coded_sheet, plain_sheet
from digitize.vision.budget import PLACE_PX, PRINT_UNMEASURED, SQRT3, Known, budget
from digitize.vision.checkerboard import Sighting
from digitize.vision.lensprior import CENTRE_SIGMA, DISTORTION_SIGMA
from digitize.vision.polyline import outward, resampled
from digitize.vision.solve import FLATNESS_MM
from digitize.vision.trace import Setup, trace_photo
from digitize.vision.view import FOCAL_SIGMA, solve_view
from tests.bench.scenes_on_disk import scenes
from tests.scenes import LaidSheet, Scene, laid, true_sighting
from tests.scoring import moved, place, signed

SIZE, FOCAL = (4032, 3024), 2900.0
CHUNK_MM = 15.0  # the edge's place errs alike over such a length
CHECK_READING = 0.1 / SQRT3 / 150.0


@dataclass(frozen=True)
class Tried:
    """One layout: share of its points inside the band, the band's median (mm), RMS deviation (mm)."""

    sheets: int
    measured: bool
    inside: float
    band_mm: float
    rms_mm: float


def blob(rng: np.random.Generator) -> Points:
    """A closed smooth outline (N, 2) about the origin, 120 to 320 mm across, mm."""
    angle = np.linspace(0, 2 * math.pi, 400, endpoint=False)
    radius = rng.uniform(60, 160) * (
        1 + sum(rng.normal(0, 0.12 / k) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 4))
    )
    return resampled(np.stack([radius * np.cos(angle), rng.uniform(0.5, 1) * radius * np.sin(angle)], axis=1), 1.0)


def layout(rng: np.random.Generator, sheets: int) -> tuple[Scene, Points]:
    part = blob(rng)
    reach = np.abs(part).max(axis=0) + np.array([125, 155])
    places = [(reach[0], 0), (-reach[0], 0), (0, reach[1]), (0, -reach[1])]
    chosen = rng.permutation(4)[:sheets]
    lays = tuple(
        laid(
            coded_sheet(k),
            tuple(np.array(places[c]) + rng.uniform(-15, 15, 2)),
            rng.uniform(-20, 20) + 180 * rng.integers(2),
        )
        for k, c in enumerate(chosen)
    )
    focal = FOCAL * (1 + rng.normal(0, FOCAL_SIGMA))
    scene = Scene(
        sheets=lays,
        size=SIZE,
        focal=focal,
        distortion=tuple(rng.normal(0, s) for s in (0.05, 0.05, *DISTORTION_SIGMA[2:])),
        off_centre=tuple(rng.normal(0, 0.5 * CENTRE_SIGMA * SIZE[0], 2)),
        height=rng.uniform(550, 850),
        tilt=rng.uniform(0, 25),
        azimuth=rng.uniform(0, 360),
        roll=rng.uniform(-10, 10),
    )
    return scene, part


def sighting(rng: np.random.Generator, scene: Scene, lay: LaidSheet, printed: Points) -> Sighting:
    """As the photo shows a print of another scale, arched and twisted, with noise."""
    true = true_sighting(scene, lay)
    u, v = (true.points / (lay.sheet.size / np.array([2.0, -2.0])) - 1).T
    z = np.stack([1 - u**2, 1 - v**2, u * v], axis=1) @ rng.normal(0, FLATNESS_MM, 3)
    bench = moved_points(true.points * printed, lay.turn, lay.shift)
    pixels = scene.image_from_bench(bench, z)
    seen = ((pixels > 30) & (pixels < np.array(SIZE) - 30)).all(axis=1)
    noise = rng.uniform(0.03, 0.08)
    return replace(
        true,
        ids=true.ids[seen],
        pixels=(pixels + rng.normal(0, noise, pixels.shape))[seen],
        sigma=np.full(int(seen.sum()), noise),
        blur=true.blur[seen],
        contrast=true.contrast[seen],
    )


def tried(seed: int) -> Tried | None:
    rng = np.random.default_rng(seed)
    sheets, measured, thickness = 1 + seed % 4, bool(rng.integers(2)), rng.choice([6.0, 12.0, 18.0])
    scene, part = layout(rng, sheets)
    printed = 1 + rng.uniform(-1, 1, 2) * SQRT3 * (CHECK_READING if measured else PRINT_UNMEASURED)
    sightings = [sighting(rng, scene, lay, printed) for lay in scene.sheets]
    sightings = sorted((s for s in sightings if len(s.ids) >= 20), key=lambda s: -len(s.ids))
    if not sightings:
        return None
    view, caveats = solve_view(sightings, SIZE, FOCAL)
    top = thickness - PAPER_MM
    height = top + rng.uniform(-0.1, 0.1)
    pixels = scene.image_from_bench(part, height)
    sigma = rng.uniform(0.02, 0.08) * view.mm_per_px(z=top)
    contour = Contour(view.bench_from_image(pixels, top), np.full(len(part), sigma))
    stated = budget(view, [(contour,)], Known(top, measured), caveats)
    chunk = np.repeat(rng.normal(0, PLACE_PX * view.mm_per_px(z=top), len(part)), round(CHUNK_MM))[: len(part)]
    off = np.einsum("ni,ni->n", _placed(contour.points, part) - part, outward(part, 2))
    off = off + chunk + rng.normal(0, sigma, len(part))
    wide = stated.bands[0][0]
    return Tried(
        len(sightings),
        measured,
        float((np.abs(off) <= wide).mean()),
        float(np.median(wide)),
        float(np.sqrt((off**2).mean())),
    )


def _placed(points: Points, true: Points) -> Points:
    """Points turned and shifted so that they lie best across the edge of their true places, row by row."""
    normals, middle = outward(true, 2), true.mean(axis=0)
    for _ in range(4):
        off = np.einsum("ni,ni->n", points - true, normals)
        lever = points - middle
        columns = np.column_stack([normals, lever[:, 0] * normals[:, 1] - lever[:, 1] * normals[:, 0]])
        x, y, turn = np.linalg.lstsq(columns, -off, rcond=None)[0]
        points = moved_points(points - middle, turn, middle + np.array([x, y]))
    return points


def results(count: int) -> Iterator[Tried]:
    for seed in range(count):
        found = tried(seed)
        if found:
            yield found


def practice(folder: Path) -> None:
    """The same for rendered photos, whose prints are true: so their check lines count as measured."""
    print("scene  inside  median band  largest deviation")
    shares = []
    for scene in (s for s in scenes(folder) if s.expect == "trace" and not s.broken):
        told = Setup(scene.thickness, board=plain_sheet(10, 7, 25) if scene.plain else None, scale_measured=True)
        found = trace_photo(read_photo(scene.photo), told, lambda step, done: None)
        outline = json.loads(scene.truth.read_text())["outlines_world"][0]
        true = shapely.Polygon(outline["outer"], outline["holes"])
        points = np.vstack([c.points for c in found.parts[0]])
        points = points - points.mean(axis=0)
        off = np.abs(signed(moved(points, place(points, true)), true))
        bands = np.concatenate(found.budget.bands[0])
        shares.append(float((off <= bands).mean()))
        print(f"{scene.name:5} {shares[-1]:7.1%} {np.median(bands):9.4f} mm {off.max():9.4f} mm", flush=True)
    print(f"all: {np.mean(shares):.1%} of points inside, {np.mean(np.array(shares) >= 0.95):.1%} of scenes with 95 %")


def main() -> None:
    if len(sys.argv) > 1 and not sys.argv[1].isdigit():
        practice(Path(sys.argv[1]))
    count = int(sys.argv[-1]) if sys.argv[-1].isdigit() else 200
    found = list(results(count))
    print("sheets measured layouts  inside  whole  median band  median rms")
    for sheets in (1, 2, 3, 4):
        for measured in (False, True):
            some = [t for t in found if t.sheets == sheets and t.measured == measured]
            if some:
                print(
                    f"{sheets:6} {measured!s:8} {len(some):7} {np.mean([t.inside for t in some]):7.1%} "
                    f"{np.mean([t.inside >= 0.95 for t in some]):6.1%} {np.median([t.band_mm for t in some]):9.4f} mm "
                    f"{np.median([t.rms_mm for t in some]):8.4f} mm"
                )
    inside = np.array([t.inside for t in found])
    print(f"all: {inside.mean():.1%} of points inside, {np.mean(inside >= 0.95):.1%} of layouts with 95 % inside")


if __name__ == "__main__":
    main()
