"""The pattern and its file form."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from digitize.model.errors import Caveat
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution, Pattern, migrated, size_uncertainty
from digitize.model.segment import Line, Spline
from tests.helpers import WHEN, bracket, pattern

COORDINATE = st.floats(-1e4, 1e4, allow_nan=False)


def test_round_trip_is_exact_to_the_last_bit() -> None:
    one = pattern(bracket().moved(0.1234567890123, (1 / 3, 2 / 7))).model_copy(
        update={"caveats": (Caveat("the sheet is curled by 0.3 mm", "press it flat"),)}
    )
    text = one.model_dump_json()
    again = Pattern.model_validate_json(text)
    assert again == one and again.model_dump_json() == text
    assert again.outline.segments == one.outline.segments  # control points, knots, angles: equal floats, not close ones


def test_used_outlines_are_written_like_fresh_ones() -> None:
    fresh, used = pattern(bracket()), pattern(bracket())
    assert used.outline.outer.area > 0 and all(s.length > 0 for s in used.outline.segments)  # fills their caches
    assert used.model_dump_json() == fresh.model_dump_json()


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.tuples(COORDINATE, COORDINATE), min_size=2, max_size=2), st.floats(0.01, 0.99))
def test_any_control_point_and_knot_survives(middle: list[tuple[float, float]], knot: float) -> None:
    spline = Spline(((0.0, 0.0), *middle, (x := 1 / 3, x), (0.5, 2.0)), (0.0,) * 4 + (knot,) + (1.0,) * 4)
    adapter = TypeAdapter(Spline)
    assert adapter.validate_json(adapter.dump_json(spline)) == spline


def damaged(change: Any) -> str:
    content = json.loads(pattern(bracket()).model_dump_json())
    change(content)
    return json.dumps(content)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda c: c.pop("outline"), "outline"),
        (lambda c: c.update(thickness_mm=-6.0), "thickness_mm"),
        (lambda c: c.update(thickness_mm="6"), "thickness_mm"),
        (lambda c: c.update(colour="oak"), "colour"),
        (lambda c: c.update(version=3), "version"),
        (lambda c: c.update(created="yesterday"), "created"),
        (lambda c: c["outline"]["outer"]["segments"].pop(), "outline.outer"),
        (lambda c: c["outline"]["outer"]["segments"][0].update(end=[1.0, 2.0]), "outline.outer"),
        (lambda c: c["outline"]["outer"]["segments"][0].update(start=[None, 0.0]), "outline.outer"),
        (lambda c: c["outline"]["outer"]["segments"][2].update(radius=float("nan")), "outline.outer"),
        (lambda c: c["outline"]["outer"]["segments"][4]["knots"].reverse(), "outline.outer"),
        (lambda c: c["outline"]["outer"]["segments"][4]["control"].pop(2), "outline.outer"),
        (lambda c: c["outline"]["holes"][0]["segments"][0].update(sweep=6.283185307179586), "outline"),
        (lambda c: c["measured"].update(tilt_deg=float("inf")), "measured.tilt_deg"),
        (lambda c: c["measured"]["sheets"][0].pop("grid_points"), "measured.sheets"),
        (lambda c: c["fit"].update(points="many"), "fit.points"),
        (lambda c: c.update(grain_deg=180.0), "grain_deg"),
    ],
)
def test_damage_is_noticed_and_located(change: Any, where: str) -> None:
    with pytest.raises(ValidationError) as refusal:
        Pattern.model_validate_json(damaged(change))
    assert ".".join(str(step) for step in refusal.value.errors()[0]["loc"]).startswith(where)


def test_a_file_of_version_1_is_brought_up_to_date() -> None:
    now = json.loads(pattern(bracket()).model_dump_json())
    old = {k: v for k, v in now.items() if k not in ("fit", "grain_deg", "notes", "stock", "tags", "invented", "steps")}
    old["version"], old["measured"] = 1, {**now["measured"], "fit_rms_mm": 0.0123}
    kept = json.dumps(old)
    read = Pattern.model_validate_json(json.dumps(migrated(old)))
    assert json.dumps(old) == kept  # the original is left as it was
    assert read.outline == bracket() and read.measured == pattern(bracket()).measured
    assert read.fit is not None and (read.fit.rms_mm, read.fit.pieces) == (0.0123, None)
    assert migrated(now) is now


def test_size_and_its_uncertainty() -> None:
    plate = Outline.of(Loop(tuple(Line(a, b) for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True))))
    one = pattern(plate)
    assert one.size == (300.0, 200.0)
    # By hand: (150e-6 * 300)^2 + 2 * 0.02^2 = 0.002825; twice its root is 0.10630.
    assert one.uncertainty == pytest.approx(0.10630, abs=5e-6)
    assert Pattern(name="drawn", created=WHEN, thickness_mm=6.0, outline=plate).uncertainty is None


SQUARE = [(10.0, 10.0), (310.0, 10.0), (310.0, 210.0), (10.0, 210.0)]


def test_independent_causes_add_in_squares() -> None:
    causes = (Contribution("a", 30.0, 0.0), Contribution("b", 40.0, 0.0))
    assert size_uncertainty(causes, 1000.0) == pytest.approx(2 * 0.05)
