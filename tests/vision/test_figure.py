"""The grain's direction from a photo: stripes of known direction, uneven light, boards without figure."""

import math

import cv2
import numpy as np
import pytest

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Line, as_point
from digitize.vision.figure import LEAST_COHERENCE, wood_figure
from digitize.vision.photo import Photo
from tests.helpers import PlumbView

NEAR_DEG = 2.0  # for even stripes
SIZE = (900, 700)


class Above(PlumbView):
    """0.3 mm per px at any height."""

    def mm_per_px(self, xy=(0.0, 0.0), z=0.0):
        return 0.3


VIEW = Above(size=SIZE, scale=0.3)


def bench():
    """Places (H, W) of the pixels on the bench, mm."""
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    return (x - SIZE[0] / 2) * 0.3, -(y - SIZE[1] / 2) * 0.3


def part(width=160.0, height=90.0, turn=0.4):
    corners = [(-width / 2, -height / 2), (width / 2, -height / 2), (width / 2, height / 2), (-width / 2, height / 2)]
    c = [as_point(p) for p in corners]
    return Outline.of(Loop(tuple(Line(a, b) for a, b in zip(c, c[1:] + c[:1], strict=True)))).moved(turn, (0, 0))


def photo(degrees=None, contrast=20.0, gradient=0.5, noise=4.0, seed=1):
    """A board whose figure runs at ``degrees``, on dark paper, lit more strongly from one side."""
    rng = np.random.default_rng(seed)
    x, y = bench()
    figure = np.zeros_like(x)
    if degrees is not None:
        across = -x * math.sin(math.radians(degrees)) + y * math.cos(math.radians(degrees))
        figure = contrast * np.interp(
            across, np.linspace(-200, 200, 300), cv2.GaussianBlur(rng.normal(0, 2, (1, 300)), (0, 0), 1.2)[0]
        )
    light = 1 + gradient * (0.8 * x + 0.6 * y) / 135
    inside = cv2.fillPoly(
        np.zeros(x.shape, np.uint8), [np.round(VIEW.image_from_bench(part().outer.flattened(0.1))).astype(np.int32)], 1
    )
    values = np.where(inside > 0, (140 + figure) * light, 40.0) + rng.normal(0, noise, x.shape)
    return Photo(np.repeat(np.clip(values, 0, 255).astype(np.uint8)[..., None], 3, axis=2))


@pytest.mark.parametrize("degrees", [0, 23, 90, 131])
def test_stripes_are_found_whatever_the_part_and_the_light(degrees):
    found = wood_figure(photo(degrees), VIEW, part(), 0.0)
    assert found is not None and found.coherence > LEAST_COHERENCE
    assert abs((math.degrees(found.direction) - degrees + 90) % 180 - 90) < NEAR_DEG


@pytest.mark.parametrize(("gradient", "noise"), [(0.3, 0.0), (0.9, 0.0), (0.0, 2.0), (0.9, 10.0)])
def test_a_board_without_figure_has_no_direction(gradient, noise):
    assert wood_figure(photo(None, gradient=gradient, noise=noise), VIEW, part(), 0.0) is None


def test_figure_that_runs_two_ways_has_no_direction():
    one, other = photo(0).pixels.astype(int), photo(90).pixels.astype(int)
    x, _ = bench()
    assert (
        wood_figure(Photo(np.where((x < 0)[..., None], one, other).astype(np.uint8)), VIEW, part(turn=0.0), 0.0) is None
    )


def test_too_small_a_face_has_no_direction():
    assert wood_figure(photo(30), VIEW, part(22.0, 20.0), 0.0) is None
