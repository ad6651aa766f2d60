"""The silhouette rule against cv2.projectPoints: the two outlines of a prism, projected and joined, mapped back."""

import cv2
import numpy as np
import pytest
import shapely
from shapely import Polygon, make_valid, union_all
from shapely.geometry.polygon import orient

from digitize.model.sheet import PAPER_MM
from digitize.vision.thickness import Heights, true_outline
from tests.scenes import Scene, true_view

EXACT_MM = 1e-6  # rounding only

L_SHAPE = np.array([[-90, -60], [80, -60], [80, -20], [-40, -10], [-45, 70], [-90, 60]], float)
OVAL = np.stack([70 * np.cos(np.arange(60) * np.pi / 30), 45 * np.sin(np.arange(60) * np.pi / 30)], axis=1)
WINDOW = np.array([[-20, -25], [-20, 20], [30, 25], [25, -20]], float)


def silhouette(scene: Scene, loops: list[np.ndarray], thickness: float) -> list[np.ndarray]:
    """What the camera sees of a prism (px), its outer border and its holes, by OpenCV's projection alone."""
    t, turn = -scene.rotation @ scene.position, cv2.Rodrigues(scene.rotation)[0]

    def project(loop: np.ndarray, z: float) -> np.ndarray:
        return cv2.projectPoints(np.c_[loop, np.full(len(loop), z)], turn, t, scene.camera.matrix, None)[0].reshape(
            -1, 2
        )

    top, foot = thickness - PAPER_MM, -PAPER_MM
    faces = [Polygon(project(loops[0], z), [project(h, z) for h in loops[1:]]) for z in (top, foot)]
    walls = []
    for loop in loops:
        upper, lower = project(loop, top), project(loop, foot)
        for i in range(len(loop)):
            j = (i + 1) % len(loop)
            walls.append(Polygon([upper[i], upper[j], lower[j], lower[i]]))
    seen = union_all([make_valid(g) for g in (*walls, *faces[:1])])  # the lower face never shows beyond walls and top
    seen = max(getattr(seen, "geoms", [seen]), key=lambda g: g.area)
    holes = [ring for ring in seen.interiors if Polygon(ring).area > 1e-6]  # less is a seam between two walls
    return [np.asarray(ring.coords)[:-1] for ring in (seen.exterior, *holes)]


@pytest.mark.parametrize("tilt", [0.0, 12.0, 25.0, 40.0])
@pytest.mark.parametrize("loops", [[L_SHAPE], [OVAL, WINDOW]], ids=["L", "oval with window"])
@pytest.mark.parametrize("thickness", [3.0, 18.0])
def test_true_outline_is_exact(tilt, loops, thickness):
    #      An inside corner stands behind its own walls: the silhouette there
    #   |\ crosses from one wall's foot to the other's arris, and shows neither
    #   | \___ corner point. Everywhere else it is exact.
    scene = Scene(tilt=tilt, azimuth=-70.0, roll=10.0, target=(35.0, -20.0))
    found = true_outline(true_view(scene), silhouette(scene, loops, thickness), Heights.of(thickness))
    assert len(found) == len(loops)
    truth, shape = (orient(Polygon(p[0], p[1:])) for p in (loops, found))
    points = np.concatenate([np.asarray(ring.segmentize(0.5).coords) for ring in (shape.exterior, *shape.interiors)])
    wrong = points[shapely.distance(shapely.points(points), truth.boundary) > EXACT_MM]
    for ring in (truth.exterior, *truth.interiors):
        for corner in inside_corners(np.asarray(ring.coords)[:-1]):
            shift = np.linalg.norm(corner - scene.position[:2]) * thickness / (scene.height - thickness)
            wrong = wrong[np.linalg.norm(wrong - corner, axis=1) > 2.0 * shift]
    assert len(wrong) == 0


def inside_corners(ring: np.ndarray) -> np.ndarray:
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    return ring[before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0] < 0]


@pytest.mark.parametrize("tilt", [0.0, 25.0, 40.0])
def test_a_convex_part_comes_back_whole(tilt):
    scene = Scene(tilt=tilt, azimuth=-70.0, roll=10.0, target=(35.0, -20.0))
    (found,) = true_outline(true_view(scene), silhouette(scene, [OVAL], 18.0), Heights.of(18.0))
    assert Polygon(found).boundary.hausdorff_distance(Polygon(OVAL).boundary) < EXACT_MM


def test_one_height_serves_all_points_of_a_rounded_edge():
    scene = Scene(tilt=20.0)
    seen = scene.image_from_bench(OVAL, 25.0 - PAPER_MM)
    (found,) = true_outline(true_view(scene), [seen], Heights.of(40.0, edge_height=25.0))
    assert Polygon(found).boundary.hausdorff_distance(Polygon(OVAL).boundary) < EXACT_MM


def test_the_error_of_ignoring_thickness_is_the_textbook_one():
    # An edge at height t, r from the foot of the camera at height H, moves by r t / (H - t): design, section 6.
    scene = Scene(tilt=0.0, height=700.0)
    view = true_view(scene)
    r, t = 200.0, 18.0
    seen = view.bench_from_image(view.image_from_bench([[r, 0.0]], t))[0, 0]
    assert seen - r == pytest.approx(r * t / (700.0 - t), abs=1e-9)
