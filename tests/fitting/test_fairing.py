"""Fairing to a tolerance: saw marks and chips go, deliberate details stay."""

import math

import numpy as np
import pytest

from digitize.fitting import fit_outline
from digitize.model.outline import Contour
from digitize.model.segment import Arc
from tests.fitting.shapes import Roughness, Shape, catalogue, deviation, polygon, roughened, rounded_polygon, turned

RIPPLE_MM = 0.15  # amplitude of the saw marks
FAIRED_MM = 0.1  # how near the clean shape a sawn one comes out, at its worst point
KEPT_MM = 0.1  # how near it a clean one stays, whatever it is faired to
SHAPES = {s.name: s for s in catalogue()}


def comb_of_one() -> Shape:
    """A bar with an 8 mm slot and a 3 mm fillet on either side of a step."""
    loop = rounded_polygon(
        [(0, 0), (120, 0), (120, 60), (84, 60), (84, 20), (76, 20), (76, 60), (40, 60), (40, 40), (0, 40)],
        [0, 0, 0, 0, 0, 0, 0, 3, 3, 0],
    )
    return Shape("slot and fillets", [turned(loop)], 12, 8)


def sawn(shape: Shape, pitch: float, chips: tuple[float, ...] = (), length: float = 4.0) -> list[Contour]:
    """Contours of the shape cut with a ripple, mm of pitch, and chips of 0.3 mm at shares of its length."""
    marked = []
    for contour in roughened(shape, Roughness(0.02)):
        step = np.roll(contour.points, -1, axis=0) - np.roll(contour.points, 1, axis=0)
        left = np.column_stack([-step[:, 1], step[:, 0]]) / np.linalg.norm(step, axis=1, keepdims=True)
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(contour.points, axis=0), axis=1))])
        off = RIPPLE_MM * np.sin(2 * math.pi * s / pitch) if pitch else np.zeros(len(s))
        for share in chips:
            u = (s - share * s[-1]) / length
            off += np.where(np.abs(u) < 0.5, 0.3 * np.cos(math.pi * u) ** 2, 0.0)
        marked.append(Contour(contour.points + off[:, None] * left, contour.sigma, contour.blur))
    return marked


@pytest.mark.parametrize("name", ["rectangle", "one round corner", "D", "cloud lift", "tip 15 deg", "disc"])
@pytest.mark.parametrize("pitch", [3.0, 6.0])
def test_saw_marks_and_a_chip_come_out_as_the_clean_shape(name, pitch):
    shape = SHAPES[name]
    outline, quality = fit_outline(sawn(shape, pitch, chips=(0.13,)), fair=0.3)
    assert (quality.pieces, quality.corners) == (shape.pieces, shape.corners)
    assert deviation(outline, shape).largest < FAIRED_MM


@pytest.mark.parametrize("fair", [0.3, 0.5])
@pytest.mark.parametrize("shape", [SHAPES["tip 15 deg"], SHAPES["inside corners"], comb_of_one()], ids=lambda s: s.name)
def test_deliberate_details_of_a_clean_edge_stay(shape, fair):
    outline, quality = fit_outline(roughened(shape, Roughness(0.02)), fair)
    assert (quality.pieces, quality.corners) == (shape.pieces, shape.corners)
    assert deviation(outline, shape).largest < KEPT_MM


@pytest.mark.parametrize("fair", [0.3, 0.5])
def test_small_fillets_stay_round(fair):
    outline, _ = fit_outline(roughened(SHAPES["rounded rectangle"], Roughness(0.02)), fair)
    radii = sorted(s.radius for s in outline.segments if isinstance(s, Arc))
    assert radii == pytest.approx([3.0, 6.0, 12.0, 25.0], abs=0.15)


def test_a_chip_is_faired_and_a_wide_hollow_is_followed():
    bar = Shape("bar", [turned(polygon([(0, 0), (160, 0), (160, 50), (0, 50)]))], 4, 4)
    outline, quality = fit_outline(sawn(bar, 0.0, chips=(0.15,), length=8.0), fair=0.5)
    assert quality.pieces == 4
    assert deviation(outline, bar).largest < FAIRED_MM
    assert deviation(fit_outline(sawn(bar, 0.0, chips=(0.15,), length=12.0))[0], bar).largest > 0.2
