"""Broken parts put together again: parts of known shape are snapped, turned, read with noise, fitted and joined."""

import math
import time
from functools import cache

import numpy as np
import pytest
from shapely import LineString, Polygon

from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Line, as_point
from digitize.rebuild.affine import mirror_matrix, transformed
from digitize.rebuild.fragments import joined
from tests.fitting.shapes import catalogue, polygon
from tests.rebuild.snaps import Snap, break_line, contours, judged, snapped

RMS_MM, LARGEST_MM, ANGLE_DEG = 0.10, 0.35, 0.05  # what a rebuilt part must hold, outside its fracture
SECONDS = 4.0  # for two pieces of 5 000 points each, which take 2 alone: tests share the machine
SHAPES = {s.name: Polygon(s.loops[0], s.loops[1:]) for s in catalogue()}


@cache
def across(name: str, share: float, jag: float, seed: int, splinters: int = 0, shares: tuple[float, ...] = ()) -> Snap:
    """A shape broken across its length at one or more shares of it."""
    whole, rng = SHAPES[name], np.random.default_rng(seed)
    box = whole.minimum_rotated_rectangle
    corners = np.array(box.exterior.coords)[:4]
    sides = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    a, b, c, d = corners if sides[0] >= sides[1] else np.roll(corners, -1, axis=0)
    lines = []
    for u in (share, *shares):
        p, q = a + u * (b - a), d + (u + 0.03) * (c - d)
        lines.append(break_line(rng, as_point(p - 0.2 * (q - p)), as_point(q + 0.2 * (q - p)), jag))
    return snapped(name, whole, lines, rng, splinters)


rebuilt = cache(joined)


@pytest.mark.parametrize(
    "snap",
    [
        lambda: across("ogee panel", 0.55, 3.0, 1),
        lambda: across("ogee panel", 0.4, 0.0, 2),
        lambda: across("ellipse", 0.5, 3.0, 3, splinters=3),
        lambda: across("cloud lift", 0.25, 3.0, 4, shares=(0.7,)),
        lambda: across("ring", 0.45, 2.0, 5),
    ],
    ids=["jagged", "straight", "splinters lost", "three pieces", "through a hole"],
)
def test_a_snapped_part_is_rebuilt(snap):
    broken = snap()
    result = rebuilt(broken.outlines)
    found = judged(broken, result)
    assert len(result.outline.holes) == len(broken.whole.interiors)
    assert found.rms <= RMS_MM
    assert found.largest <= LARGEST_MM
    assert found.angle_deg <= ANGLE_DEG
    assert all(j.contact_mm > 10 and j.angle_deg > 0 and j.shift_mm > 0 for j in result.joints)
    assert result.invented


def test_an_edge_that_was_one_line_is_one_line_again():
    broken = across("rounded rectangle", 0.6, 3.0, 6)
    lines = sorted(
        (s.length for s in rebuilt(broken.outlines).outline.outer.segments if isinstance(s, Line)), reverse=True
    )
    # The drawn rectangle is 160 x 90 with corners of R 12, 6, 25 and 3: its long sides are 142 and 132 mm.
    assert lines[0] == pytest.approx(160 - 12 - 6, abs=0.5)
    assert lines[1] == pytest.approx(160 - 25 - 3, abs=0.5)


def test_lost_splinters_show_as_gaps_and_whole_fractures_do_not():
    whole, chipped = across("ogee panel", 0.55, 3.0, 1), across("ogee panel", 0.55, 3.0, 1, splinters=3)
    assert rebuilt(whole.outlines).joints[0].gap_mm < 0.3
    assert 0.8 < joined(chipped.outlines).joints[0].gap_mm < 3.0


def test_pieces_of_different_parts_are_refused():
    one, other = across("ogee panel", 0.55, 3.0, 1), across("ellipse", 0.5, 3.0, 9)
    with pytest.raises(InputError, match="No edge of pieces 1 and 2 fits"):
        joined([one.outlines[0], other.outlines[1]])
    with pytest.raises(InputError, match="No edge of piece 3 fits"):
        joined([*one.outlines, other.outlines[0]])


def test_a_single_piece_is_refused():
    with pytest.raises(InputError, match="Only one piece"):
        joined(across("ellipse", 0.5, 3.0, 9).outlines[:1])


@pytest.mark.parametrize("seed", [1, 5, 7])  # 5 and 7 have false joints that are rough, too
def test_a_piece_turned_over_is_told_and_can_be_flipped(seed):
    a, b = across("ogee panel", 0.55, 3.0, seed).outlines
    flipped = transformed(b, mirror_matrix(0.4))
    with pytest.raises(InputError, match=r"Piece 2 fits piece 1 only when one of them is turned over.*--flip 2"):
        joined([a, flipped])
    again = joined([a, transformed(flipped, mirror_matrix(math.pi / 2))])
    assert again.outline.polygon().area == pytest.approx(rebuilt((a, b)).outline.polygon().area, rel=1e-4)


def test_pieces_that_fit_in_two_ways_are_told_and_either_can_be_had():
    # A board snapped straight across: either end of one piece fits either end of the other.
    board = Polygon([(0, 0), (200, 0), (200, 60), (0, 60)])
    rng = np.random.default_rng(1)
    broken = snapped("board", board, [LineString([(80, -5), (80, 65)])], rng)
    first, second = (joined(broken.outlines, way=way) for way in (1, 2))
    assert first.ways >= 2
    assert any("ways" in c.problem for c in first.caveats)
    assert abs(math.remainder(first.at[1].turn - second.at[1].turn, 2 * math.pi)) > 1.0
    with pytest.raises(InputError, match="Way 9"):
        joined(broken.outlines, way=9)


def test_a_plain_break_is_rebuilt_but_told():
    result = rebuilt(across("ogee panel", 0.4, 0.0, 2).outlines)
    assert any("plain" in c.problem or "ways" in c.problem for c in result.caveats)


def test_joining_does_not_depend_on_where_the_pieces_lie():
    broken = across("ellipse", 0.5, 3.0, 3)
    a, b = broken.outlines
    here, there = rebuilt(broken.outlines), joined([a, b.moved(2.0, (300.0, -150.0))])
    # Not rounding: samples along the pieces are the same, but the search for their places ends within its last step.
    assert there.outline.polygon().symmetric_difference(here.outline.polygon()).area < 0.5


def test_two_pieces_of_5000_points_each_are_joined_in_time():
    rng = np.random.default_rng(4)
    whole = Polygon(polygon([(0, 0), (300, 0), (300, 200), (0, 200)]))
    line = break_line(rng, (140, -10), (170, 210), 3.0)
    outlines = []
    for side in (Polygon([(-1, -1), *line.coords, (-1, 201)]), Polygon([(301, -1), *line.coords, (301, 201)])):
        contour = contours(whole.intersection(side.buffer(0)), rng, 0.015)[0]
        ring = LineString(np.vstack([contour.points, contour.points[:1]]))
        points = [as_point(ring.interpolate(u, normalized=True).coords[0]) for u in np.linspace(0, 1, 5001)[:-1]]
        outlines.append(
            Outline.of(Loop(tuple(Line(p, q) for p, q in zip(points, points[1:] + points[:1], strict=True))))
        )
    began = time.process_time()
    result = joined(outlines)
    assert time.process_time() - began < SECONDS
    assert result.outline.polygon().area == pytest.approx(300 * 200, rel=1e-3)
