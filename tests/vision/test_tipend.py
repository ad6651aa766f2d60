"""How thin tips end, in photos of tips that are whole and of tips that are chipped."""

import math

import numpy as np
import pytest
import shapely
from scipy.special import erf

from digitize.fitting.chain import fit_outline
from digitize.fitting.tips import ended
from digitize.vision.locate import locate
from digitize.vision.thickness import Heights
from digitize.vision.tipend import tip_ends
from digitize.vision.tiplight import covered
from digitize.vision.view import View
from tests.scenes import Part, Photo, Scene, render, true_view

SHARE = 1e-3  # of a pixel's light
END_MM = 0.15  # half a pixel, where the flanks alone leave the end anywhere within the whole chip
TIP = np.array([45.0, 0.0])


def seen(
    degrees: float, cut: float, bench: str, thickness: float = 6.0, seed: int = 0
) -> tuple[Photo, View, np.ndarray]:
    """A part with a tip that points along x, ``cut`` mm of it gone, its photo and view."""
    a = math.radians(degrees) / 2
    run = min(25.0 / math.tan(a), 70.0)
    whole = np.array(
        [TIP, [45.0 - run, run * math.tan(a)], [-45.0, 30.0], [-45.0, -30.0], [45.0 - run, -run * math.tan(a)]]
    )
    loop = np.asarray(shapely.Polygon(whole).difference(shapely.box(45.0 - cut, -9, 46, 9)).exterior.coords)[:-1]
    loop = loop if shapely.LinearRing(loop).is_ccw else loop[::-1]
    scene = Scene(parts=(Part((loop,), thickness, "birch"),), bench=bench, tilt=8.0, focal=2000.0, height=620.0)
    return render(scene, seed), true_view(scene), loop


def end_of(degrees: float, cut: float, bench: str, thickness: float = 6.0) -> tuple[float, float, int]:
    """Where the tip ends along x before and after it was looked at, from the whole tip; how many segments it got."""
    photo, view, loop = seen(degrees, cut, bench, thickness)
    heights = Heights.of(thickness)
    contours = locate(view, photo.pixels, [loop], heights)
    outline, quality = fit_outline(contours)
    after, told = ended(outline, quality, tip_ends(photo.pixels, view, outline, contours, heights))
    assert told.pieces == len(after.segments)
    ends = [float(o.outer.flattened()[:, 0].max() - TIP[0]) for o in (outline, after)]
    return ends[0], ends[1], len(after.segments) - len(outline.segments)


@pytest.mark.parametrize("degrees", [15.0, 25.0, 45.0])
@pytest.mark.parametrize("bench", ["dark", "cloth"])
def test_a_chipped_tip_ends_where_it_is_chipped(degrees, bench):
    cut = 0.5 / (2 * math.tan(math.radians(degrees) / 2))  # a stub 0.5 mm wide: a pixel and a half
    drawn, after, more = end_of(degrees, cut, bench)
    assert drawn > -cut + 2 * END_MM  # edge points alone lead the flanks on
    assert abs(after + cut) < END_MM
    assert more == 1


@pytest.mark.parametrize("thickness", [6.0, 18.0])
@pytest.mark.parametrize("degrees", [15.0, 25.0, 45.0])
def test_a_whole_tip_stays_whole(degrees, thickness):
    drawn, after, more = end_of(degrees, 0.0, "dark", thickness)
    assert abs(after) < max(abs(drawn), END_MM)
    assert more == 0


def test_shares_of_pixels_are_those_of_blurred_polygons():
    # A rectangle blurred by a Gauss curve is the product of two differences of error functions.
    at, box = (
        np.random.default_rng(1).uniform(-4, 8, (400, 2)),
        np.array([[0.0, 1.0], [5.0, 1.0], [5.0, 3.0], [0.0, 3.0]]),
    )
    turn = np.array([[math.cos(0.7), math.sin(0.7)], [-math.sin(0.7), math.cos(0.7)]])
    for blur in (0.5, 1.3):
        (x0, y0), (x1, y1) = (erf((corner - at) / blur / math.sqrt(2)).T for corner in (box[0], box[2]))
        exact = (x1 - x0) * (y1 - y0) / 4
        for border, places in ((box, at), (box[::-1], at), (box @ turn, at @ turn)):
            assert covered(border, places, blur) == pytest.approx(exact, abs=SHARE)
