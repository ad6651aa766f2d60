"""Parts whose upper arris is eased: the outline is the widest section, and an edge taken for sharp is told."""

import math

import numpy as np
import pytest
import shapely
from scipy.optimize import least_squares

from digitize.model.segment import moved_points
from digitize.model.sheet import coded_sheet
from digitize.vision.trace import Setup, Traced, trace_photo
from tests.scenes import Part, Scene, circle, laid, rectangle, render

RMS_MM = 0.06  # of raw points, at 0.31 mm in a pixel
MEAN_MM = 0.03


def scene(eased: float, thickness: float, material: str, bench: str, tilt: float, azimuth: float) -> Scene:
    part = Part(rectangle(200, 120, (0, 0), 12, holes=(circle(60, (30, 0)),)), thickness, material, eased=eased)
    return Scene(
        parts=(part,),
        sheets=(laid(coded_sheet(0), (-230, 0), 4), laid(coded_sheet(1), (230, 10), -7)),
        bench=bench,
        size=(2800, 2100),
        focal=2100.0,
        height=650.0,
        tilt=tilt,
        azimuth=azimuth,
        blur=0.8,
    )


def traced(seen: Scene, eased: float) -> Traced:
    return trace_photo(render(seen, 1), Setup(seen.parts[0].thickness, eased=eased), lambda step, done: None)


def deviations(seen: Scene, found: Traced) -> np.ndarray:
    """Distances (N,) mm of all points from the true edge, positive outside, after the best rigid placement."""
    true = shapely.Polygon(seen.parts[0].loops[0], seen.parts[0].loops[1:])
    sighting, lay = found.view.sightings[0], seen.sheets[found.view.sightings[0].sheet.number]
    grid = sighting.sheet.grid_points()
    world, bench = moved_points(grid, lay.turn, lay.shift), found.view.bench_from_sheet(0, grid)
    turn = math.atan2(*(world[-1] - world[0])[::-1]) - math.atan2(*(bench[-1] - bench[0])[::-1])
    points = moved_points(np.vstack([c.points for c in found.parts[0]]) - bench[0], turn, world[0])

    def off(x: np.ndarray) -> np.ndarray:
        moved = moved_points(points, x[0], x[1:])
        inside = np.where(shapely.contains_xy(true, moved), -1.0, 1.0)
        return shapely.distance(true.boundary, shapely.points(moved)) * inside

    return least_squares(off, np.zeros(3), x_scale=(0.01, 1.0, 1.0)).fun


@pytest.mark.parametrize(
    "seen",
    [scene(0.5, 12, "birch", "cloth", 8, -60), scene(1.0, 18, "walnut", "planks", 10, 100)],
    ids=["birch", "walnut"],
)
def test_an_eased_edge_is_told_when_taken_for_sharp_and_true_when_known(seen: Scene) -> None:
    sharp, known = traced(seen, 0.0), traced(seen, seen.parts[0].eased)
    assert "--eased" in next(c.remedy for c in sharp.caveats if "looks eased" in c.problem)
    assert sharp.budget.contributions[-1].edge_mm > known.budget.contributions[-1].edge_mm == 0.0
    off, untold = deviations(seen, known), deviations(seen, sharp)
    assert abs(off.mean()) < MEAN_MM < abs(untold.mean())
    assert np.sqrt((off**2).mean()) < RMS_MM < np.sqrt((untold**2).mean())


def test_sharp_edges_are_not_called_eased() -> None:
    assert traced(scene(0.0, 9, "walnut", "paper", 4, 0), 0.0).caveats == ()
