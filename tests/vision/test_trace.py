"""The vision floor as a whole on rendered scenes: what is traced, what is told, what is refused."""

import numpy as np
import pytest
import shapely

from digitize.model.errors import DigitizeError, PartError
from digitize.model.sheet import coded_sheet
from digitize.vision.photo import Photo
from digitize.vision.trace import Setup, Traced, trace_photo
from tests.scenes import Part, Scene, circle, laid, rectangle, render, true_view

TYPICAL_MM = 0.05  # median distance of edge points at 0.4 mm per px
SIZE = (2000, 1500)
FOCAL_35MM = 26.0
FOCAL_PX = FOCAL_35MM / np.hypot(36.0, 24.0) * np.hypot(*SIZE)
SHEETS = (laid(coded_sheet(2), (-190, 10), 5), laid(coded_sheet(5), (190, 0), -8))


def trace(scene: Scene, setup: Setup) -> Traced:
    photo = render(scene)
    return trace_photo(Photo(photo.pixels, "scene", FOCAL_35MM), setup, lambda step, share: None)


def scene(*parts: Part, **more) -> Scene:
    return Scene(
        parts=parts, **{"sheets": SHEETS, "size": SIZE, "focal": FOCAL_PX, "bench": "dark", "height": 650.0} | more
    )


def distances(traced: Traced, seen: Scene, part: Part, top: float) -> np.ndarray:
    """Of all contour points to the true outline, both laid through their own view."""
    points = np.concatenate([c.points for c in traced.parts[0]])
    there = true_view(seen).bench_from_image(traced.view.image_from_bench(points, top), top)
    return shapely.distance(shapely.points(there), shapely.union_all([shapely.LinearRing(loop) for loop in part.loops]))


@pytest.mark.parametrize(("tilt", "thickness"), [(3.0, 3.0), (22.0, 18.0)])
def test_a_part_with_a_hole_is_traced_at_any_thickness(tilt, thickness):
    part = Part(rectangle(150, 100, (0, 5), 15.0, holes=(circle(45.0),)), thickness)
    seen = scene(part, tilt=tilt)
    traced = trace(seen, Setup(thickness))
    assert [c.area > 0 for c in traced.parts[0]] == [True, False]
    assert np.median(distances(traced, seen, part, thickness - 0.1)) < TYPICAL_MM
    assert traced.view.height == pytest.approx(650.0, rel=0.02)
    assert not traced.caveats


def test_a_chosen_point_picks_the_part_that_lies_there():
    parts = (Part(rectangle(120, 80, (0, 60)), 6.0), Part(rectangle(70, 50, (0, -70)), 6.0))
    seen = scene(*parts)
    x, y = true_view(seen).image_from_bench([[0.0, -70.0]])[0]
    areas = {
        which: [part[0].area for part in trace(seen, Setup(6.0, part=which)).parts]
        for which in ("largest", "all", (x, y))
    }
    assert areas["largest"] == pytest.approx([120 * 80], rel=0.01)
    assert areas["all"] == pytest.approx([120 * 80, 70 * 50], rel=0.01)
    assert areas[x, y] == pytest.approx([70 * 50], rel=0.01)


def test_an_edge_height_maps_all_points_at_one_height():
    # A 25 mm thick part told to be 6 mm thick comes out larger by (H - 5.9) / (H - 24.9); told its edge's height, true.
    part = Part(rectangle(120, 80), 25.0)
    seen = scene(part, tilt=0.0)
    (right,) = trace(seen, Setup(40.0, edge_height=25.0)).parts
    (wrong,) = trace(seen, Setup(6.0)).parts
    assert np.sqrt(right[0].area / (120 * 80)) == pytest.approx(1.0, abs=0.003)
    assert np.sqrt(wrong[0].area / (120 * 80)) == pytest.approx((650.0 - 5.9) / (650.0 - 24.9), abs=0.003)


def test_a_print_scale_that_was_measured_scales_the_part():
    part = Part(rectangle(120, 80), 6.0)
    sheets = tuple(laid(coded_sheet(k), at, 5, printed=0.98) for k, at in ((2, (-190, 10)), (5, (190, 0))))
    seen = scene(part, sheets=sheets)
    (plain,) = trace(seen, Setup(6.0)).parts
    (scaled,) = trace(seen, Setup(6.0, print_scale=(0.98, 0.98), scale_measured=True)).parts
    assert np.sqrt(plain[0].area / (120 * 80)) == pytest.approx(1 / 0.98, abs=0.001)
    assert np.sqrt(scaled[0].area / (120 * 80)) == pytest.approx(1.0, abs=0.001)


def test_uncertainty_names_its_causes_and_measuring_the_check_lines_helps():
    seen = scene(Part(rectangle(120, 80), 6.0))
    unmeasured, measured = (trace(seen, Setup(6.0, scale_measured=told)).budget.contributions for told in (False, True))
    assert [c.name for c in unmeasured] == [c.name for c in measured]
    assert unmeasured[0].size_ppm > 2 * measured[0].size_ppm > 0
    assert all(c.size_ppm >= 0 and c.edge_mm >= 0 for c in measured)


def test_a_warning_widens_the_uncertainty():
    sharp, shaken = (
        trace(scene(Part(rectangle(120, 80), 6.0), motion=(length, 30.0)), Setup(6.0)) for length in (0, 4)
    )
    assert not sharp.caveats and "motion" in shaken.caveats[0].problem
    assert sharp.budget.contributions[-1].edge_mm == 0.0 < shaken.budget.contributions[-1].edge_mm


REFUSALS = {
    "no sheet": ({"sheets": ()}, "sheet"),
    "no part": ({"parts": ()}, "stands out"),
    "part runs out of the photo": ({"parts": (Part(rectangle(160, 90, (0, -330)), 6.0),)}, "out of the photo"),
    "too dark": ({"exposure": 0.004}, "dark|black|light"),
}


@pytest.mark.parametrize(("change", "says"), REFUSALS.values(), ids=REFUSALS.keys())
def test_what_cannot_be_measured_is_refused_in_one_sentence(change, says):
    parts = change.pop("parts", (Part(rectangle(120, 80), 6.0),))
    with pytest.raises(DigitizeError, match=says) as refusal:
        trace(scene(*parts, **change), Setup(6.0))
    assert refusal.value.remedy and "\n" not in str(refusal.value)


def test_a_point_beside_the_part_is_refused():
    with pytest.raises(PartError, match="no part lies at"):
        trace(scene(Part(rectangle(120, 80), 6.0)), Setup(6.0, part=(20.0, 20.0)))
