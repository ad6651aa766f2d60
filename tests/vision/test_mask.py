"""Masking on synthetic photos with exact truth: the right part, all its holes, and nothing else."""

import tracemalloc

import numpy as np
import pytest

from digitize.model.errors import PartError
from digitize.model.sheet import PAPER_MM, coded_sheet
from digitize.vision.mask import PartMask, choose_parts, find_parts
from digitize.vision.photo import Photo
from tests.bench.mask import Score, score, true_silhouette
from tests.scenes import LETTER, Part, Scene, circle, laid, rectangle, render, true_view

BORDER_P95_MM = 1.5  # where contrast is fair; a photo px is 0.5 mm here
SHADOW_MM = 6.0  # a hard shadow moves the border by no more: the edge locator searches that far
SHEETS = (laid(coded_sheet(0), (200, 0), 5), laid(coded_sheet(1), (-205, 10), -8, page=LETTER))
HOLES = (circle(20, (30, 10)), circle(6, (-40, 0)), rectangle(40, 4)[0] + [0, -20])  # the least: 6 mm, and a 4 mm slot
PLATE = rectangle(130, 80, (0, 0), 20, HOLES)
OFFCUT = Part(rectangle(60, 35, (10, -150), 40), 12, "walnut")
PENCIL = Part(rectangle(170, 7, (0, 120), 8), 7, "pencil")
WASHER = Part((circle(24, (60, 100)), circle(13, (60, 100))), 2, "steel")


def found(scene: Scene) -> tuple[PartMask, ...]:
    return find_parts(render(scene), true_view(scene))


def scored(scene: Scene, mask: PartMask, part: Part) -> Score:
    truth = true_silhouette(part, scene.position + np.array([0, 0, PAPER_MM]))
    return score(mask, lambda px: scene.bench_from_image(px, -PAPER_MM), truth)


@pytest.mark.parametrize(
    "bench, material",
    [("cloth", "birch"), ("mat", "walnut"), ("planks", "birch"), ("dark", "mdf"), ("paper", "oak"), ("paper", "black")],
)
def test_the_part_and_its_holes_on_every_bench(bench: str, material: str) -> None:
    scene = Scene((Part(PLATE, 6, material),), SHEETS, bench)
    parts = found(scene)
    s = scored(scene, parts[0], scene.parts[0])
    assert len(parts) == 1
    assert s.found == s.holes == len(parts[0].contours) - 1 == 3
    assert s.p95 <= BORDER_P95_MM
    assert not parts[0].touches_frame


def test_area_and_image_agree_with_the_contours() -> None:
    scene = Scene((Part(PLATE, 6),), SHEETS, "cloth")
    part = found(scene)[0]
    truth = true_silhouette(scene.parts[0], scene.position + np.array([0, 0, PAPER_MM]))
    mm = true_view(scene).mm_per_px() / part.scale
    assert part.area_mm2 == pytest.approx(truth.area, rel=0.03)
    assert part.image.sum() * mm**2 == pytest.approx(part.area_mm2, rel=0.05)


@pytest.mark.parametrize("bench", ["cloth", "paper"])
def test_a_hard_shadow_is_not_the_part(bench: str) -> None:
    hard = {"shadow": (0.6, 0.03), "light": (0.9, 0.6), "tilt": 20.0}
    scene = Scene((Part(PLATE, 18, "oak"),), SHEETS, bench, **hard)
    assert scored(scene, found(scene)[0], scene.parts[0]).most <= SHADOW_MM


@pytest.mark.parametrize("bench, material", [("cloth", "birch"), ("paper", "walnut")])
def test_a_part_over_a_sheet_is_whole(bench: str, material: str) -> None:
    over = rectangle(150, 70, (110, 20), 15, HOLES)
    scene = Scene((Part(over, 6, material),), SHEETS, bench)
    s = scored(scene, found(scene)[0], scene.parts[0])
    assert s.found == s.holes
    assert s.p95 <= BORDER_P95_MM


@pytest.mark.parametrize("bench", ["cloth", "mat", "planks", "dark", "paper"])
def test_sheets_alone_hold_no_part(bench: str) -> None:
    with pytest.raises(PartError, match="stands out"):
        found(Scene((), SHEETS, bench))


def test_clutter_is_told_from_the_part() -> None:
    scene = Scene((Part(PLATE, 9), OFFCUT, PENCIL, WASHER), SHEETS, "mat")
    parts = found(scene)
    assert scored(scene, choose_parts(parts, "largest")[0], scene.parts[0]).p95 <= BORDER_P95_MM
    both = choose_parts(parts, "all")  # pencil and washer are no parts
    assert len(both) == 2
    assert scored(scene, both[1], OFFCUT).p95 <= BORDER_P95_MM
    x, y = scene.image_from_bench(np.array([[10.0, -150.0]]))[0]
    assert choose_parts(parts, (x, y)) == (both[1],)
    with pytest.raises(PartError, match="no part lies at"):
        choose_parts(parts, (5.0, 5.0))


@pytest.mark.parametrize("bench", ["cloth", "mat", "paper"])
def test_a_part_that_leaves_the_photo_is_refused_unless_another_is_chosen(bench: str) -> None:
    leaving = Part(rectangle(130, 80, (0, -290), 20), 6, "walnut")
    alone = found(Scene((leaving,), SHEETS, bench))
    with pytest.raises(PartError, match="bottom"):
        choose_parts(alone)
    beside = found(Scene((Part(PLATE, 6), leaving), SHEETS, bench))
    assert not choose_parts(beside)[0].touches_frame


def test_small_parts_are_found() -> None:
    small = Part(rectangle(40, 25, (0, 0), 35, (circle(8, (5, 0)),)), 6)
    scene = Scene((small,), SHEETS, "cloth")
    s = scored(scene, found(scene)[0], small)
    assert s.found == 1
    assert s.p95 <= BORDER_P95_MM


def test_the_same_photo_gives_the_same_mask() -> None:
    scene = Scene((Part(PLATE, 6),), SHEETS, "planks")
    photo, view = render(scene), true_view(scene)
    first, second = find_parts(photo, view), find_parts(photo, view)
    assert all(np.array_equal(a.image, b.image) for a, b in zip(first, second, strict=True))
    for p, q in zip(first, second, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(p.contours, q.contours, strict=True))


def test_memory_does_not_grow_with_the_photo() -> None:
    small = Scene((Part(PLATE, 6),), SHEETS, "cloth", size=(2400, 1800), focal=1875.0)
    large = Scene(small.parts, SHEETS, "cloth", size=(4800, 3600), focal=3750.0)
    pixels = render(small).pixels
    photos = Photo(pixels), Photo(np.repeat(np.repeat(pixels, 2, axis=0), 2, axis=1))
    peaks = []
    for scene, photo in zip((small, large), photos, strict=True):
        view = true_view(scene)
        tracemalloc.start()
        find_parts(photo, view)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
    assert peaks[1] < 4 * photos[1].pixels.nbytes  # a float copy of the photo would be 4 times its bytes
