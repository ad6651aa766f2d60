"""The flow after the vision floor: fitting, the wanted frame, patterns; the vision floor itself is stood in for."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import digitize.pipeline
from digitize.meaning.meanings import Kind
from digitize.model.errors import Caveat
from digitize.model.outline import Contour
from digitize.model.pattern import Contribution
from digitize.pipeline import Frame, Tracing, trace
from digitize.summary import summary, values
from digitize.vision.budget import Budget
from digitize.vision.photo import Photo
from digitize.vision.trace import Setup, Traced
from tests.helpers import WHEN, PlumbView, rectangle_contour

PHOTO = Photo(np.zeros((480, 640, 3), np.uint8), "shelf.jpg", 26.0, "Bench Camera 3")
SETUP = Setup(thickness=6.0, print_scale=(0.998, 1.0), part="all")
CAVEAT = Caveat("sheet 0 is curled by 0.3 mm", "press it flat")
FIT_TOL_MM = 0.005  # noiseless points: what the fit may add
TURN = 0.3


def traced(*parts: tuple[Contour, ...]) -> Traced:
    causes = (Contribution("sheets", 100.0, 0.0), Contribution("edge", 0.0, 0.01))
    budget = Budget(causes, tuple(tuple(np.full(len(c.points), 0.05) for c in part) for part in parts), "")
    return Traced(view=PlumbView(), parts=parts, mm_per_px=0.5, budget=budget, caveats=(CAVEAT,))


def run(
    monkeypatch: pytest.MonkeyPatch, frame: Frame, *parts: tuple[Contour, ...], meant: frozenset[Kind] = frozenset()
) -> tuple[Tracing, list[float]]:
    def seen(photo: Photo, setup: Setup, progress: Callable[[str, float], None]) -> Traced:
        assert photo is PHOTO and setup is SETUP
        progress("finding the sheets", 0.1)
        return traced(*parts)

    monkeypatch.setattr(digitize.pipeline, "trace_photo", seen)
    told: list[float] = []
    tracing = trace([PHOTO], SETUP, None, frame, meant, "shelf", WHEN, lambda step, done: told.append(done))
    return tracing, told


def with_hole(turn: float) -> tuple[Contour, Contour]:
    hole = rectangle_contour(-40.0, -20.0, 30.0, 20.0, turn)
    return rectangle_contour(-100.0, -60.0, 200.0, 120.0, turn), Contour(hole.points[::-1], hole.sigma)


def test_a_part_lies_level_at_the_origin(monkeypatch: pytest.MonkeyPatch) -> None:
    tracing, told = run(monkeypatch, Frame.PART, with_hole(TURN))
    (pattern,) = tracing.patterns
    assert pattern.name == "shelf" and pattern.created == WHEN and pattern.caveats == (CAVEAT,)
    assert pattern.outline.bounds() == pytest.approx((0.0, 0.0, 200.0, 120.0), abs=FIT_TOL_MM)
    assert len(pattern.outline.holes) == 1 and len(pattern.outline.corners()) == 8
    hole = pattern.outline.holes[0].flattened()
    assert hole.min(axis=0) == pytest.approx((60.0, 40.0), abs=FIT_TOL_MM)
    assert told == sorted(told) and told[-1] == 1.0


def test_the_bench_frame_leaves_the_part_where_it_lay(monkeypatch: pytest.MonkeyPatch) -> None:
    tracing, _ = run(monkeypatch, Frame.BENCH, with_hole(TURN))
    assert tracing.patterns[0].outline == tracing.outlines[0]
    assert math.atan(math.tan(tracing.outlines[0].longest_edge_angle())) == pytest.approx(TURN, abs=1e-4)


def test_several_parts_keep_their_places_to_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    small, large = (rectangle_contour(130.0, -60.0, 30.0, 50.0, TURN),), with_hole(TURN)
    tracing, _ = run(monkeypatch, Frame.PART, small, large)
    assert [p.name for p in tracing.patterns] == ["shelf-1", "shelf-2"]
    assert tracing.largest is tracing.patterns[1]
    assert tracing.patterns[0].outline.bounds() == pytest.approx((230.0, 0.0, 260.0, 50.0), abs=FIT_TOL_MM)
    assert tracing.patterns[1].outline.bounds() == pytest.approx((0.0, 0.0, 200.0, 120.0), abs=FIT_TOL_MM)


def test_a_pattern_remembers_how_it_was_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    tracing, _ = run(monkeypatch, Frame.PART, with_hole(0.0))
    measured = tracing.patterns[0].measured
    assert measured is not None
    assert (measured.photo, measured.camera, measured.print_scale) == ("shelf.jpg", "Bench Camera 3", (0.998, 1.0))
    assert measured.tilt_deg == pytest.approx(3.25) and measured.camera_height_mm == 701.5
    # By hand, for 200 mm: 2 * sqrt((100e-6 * 200)^2 + 2 * 0.01^2) = 0.0490
    assert tracing.patterns[0].uncertainty == pytest.approx(0.0490, abs=1e-4)


def test_what_is_meant_is_told_and_drawn_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    part = with_hole(TURN)
    noise = np.random.default_rng(1).normal(0, 0.02, part[0].points.shape)
    noisy = (Contour(part[0].points + noise, np.full(len(noise), 0.02)), part[1])
    plain, _ = run(monkeypatch, Frame.PART, noisy)
    exact, _ = run(monkeypatch, Frame.PART, noisy, meant=frozenset(Kind))
    kinds = {m.kind for m in plain.meanings[0]}
    assert {Kind.RIGHT_ANGLE, Kind.PARALLEL, Kind.SIZE} <= kinds
    width, height = exact.patterns[0].size
    assert (width, height) == pytest.approx((200.0, 120.0), abs=1e-6)
    assert plain.patterns[0].size != pytest.approx((200.0, 120.0), abs=1e-6)
    assert exact.patterns[0].steps[0].what == "drawn as meant" and not plain.patterns[0].steps


def test_several_photos_are_traced_together(monkeypatch: pytest.MonkeyPatch) -> None:
    other = replace(PHOTO, name="again.jpg")

    def seen(photos: list[Photo], setup: Setup, progress: Callable[[str, float], None]) -> Traced:
        assert [p.name for p in photos] == ["again.jpg", "shelf.jpg"]
        return replace(traced(with_hole(0.0)), photos=2, reference=1)

    monkeypatch.setattr(digitize.pipeline, "trace_photos", seen)
    photos = [other, PHOTO]
    tracing = trace(photos, SETUP, None, Frame.PART, frozenset(), "shelf", WHEN, lambda step, done: None)
    assert tracing.photo is PHOTO
    assert tracing.patterns[0].measured is not None
    assert tracing.patterns[0].measured.photo == "again.jpg, shelf.jpg"
    told = values(tracing, [])
    assert told["photos"] == 2 and "2, their edges combined" in summary(tracing, told)
