"""The plan as a whole: what is chosen, what is told, and that one thing missing leaves the rest."""

import json
import math

import numpy as np
import pytest

from digitize.model.errors import InputError
from digitize.shop.cutter import Cutter, default_rack
from digitize.shop.plan import plan
from digitize.shop.told import left_places, rows, values
from tests.helpers import bracket, rounded_plate
from tests.shop.parts import disc, polygon, prong, square

KEYS = {"runs", "remainders", "tips", "best_grain_deg", "depth", "cautions"}
RUN_KEYS = {"loop", "start_mm", "end_mm", "length_mm", "feed", "order"}
CUTTER = Cutter(name="19 mm", diameter_mm=19.0, cutting_length_mm=25.0, shank_mm=8.0, bearing="shank")
CLOSED_FORM = 0.005  # of the value: sharp corners, design 9


def told(**options):
    outline = options.pop("outline", bracket())
    return plan(outline, **{"grain_deg": 20.0, "stock_mm": 19.0, "pattern_mm": 12.0, **options})


def said(found, words):
    return [c for c in found.cautions if words in c]


def test_values_hold_what_is_promised_and_are_json():
    v = json.loads(json.dumps(values(told(outline=prong(), grain_deg=0.0))))
    assert set(v) >= KEYS
    assert all(set(r) >= RUN_KEYS and r["feed"] in ("ordinary", "climb") for r in v["runs"])
    assert all(set(r) >= {"cutter_mm", "at_mm", "area_mm2", "depth_mm"} for r in v["remainders"])
    assert all(set(t) >= {"at_mm", "fibre_mm", "strength_ratio"} for t in v["tips"]) and v["tips"]
    assert [r["order"] for r in v["runs"]] == list(range(1, len(v["runs"]) + 1))


def test_a_sharp_inside_corner_leaves_what_the_closed_form_tells():
    """r(1/sin(phi/2) - 1) and r^2(cot(phi/2) - (pi - phi)/2) at 90 degrees; two such corners at the prong's foot."""
    left = [r for r in values(told(outline=prong(30, 60), cutters=[CUTTER]))["remainders"] if r["kind"] == "corner"]
    assert len(left) == 2
    for r in left:
        assert r["depth_mm"] == pytest.approx(9.5 * (math.sqrt(2) - 1), rel=CLOSED_FORM)
        assert r["area_mm2"] == pytest.approx(9.5**2 * (1 - math.pi / 4), rel=CLOSED_FORM)


def test_every_place_where_material_is_left_has_a_name_of_its_own():
    found = told(outline=prong(30, 60))
    names = [name for name, _ in left_places(found)]
    numbers = {c.number: c for c in found.corners}
    assert len(set(names)) == len(names) == 2
    for name, at in left_places(found):
        assert numbers[int(name)].inside and math.dist(numbers[int(name)].at, at) < 1e-6


def test_the_chosen_cutter_can_cut_the_depth():
    for machine in ("hand", "table"):
        for side in ("top", "below"):
            found = told(machine=machine, pattern_on=side, stock_mm=35.0)
            assert found.choice.used and found.depth
            assert all(d.possible for d in found.depth)
            assert all(d.cutter.bearing in (found.bearing, "both") for d in found.depth)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"grain_deg": None}, "No grain direction was given"),
        ({"cutters": []}, "The rack is empty"),
        ({"stock_mm": None}, "The stock's thickness was not given"),
        ({"pattern_mm": None}, "The pattern's thickness is not known"),
        ({"pattern_mm": 2.0}, "does not ride fully"),
        ({"allowance_mm": 50.0}, "An allowance of 50 mm"),
        (
            {"outline": polygon((0, 0), (10, 0), (10, 12), (0, 12)), "cutters": [CUTTER]},
            "leave it on a larger board",
        ),
        ({"outline": disc(60, hole=3), "cutters": [CUTTER]}, "does not enter the hole"),
        ({"outline": square(60)}, "Small part"),
        ({"cutters": [CUTTER.model_copy(update={"bearing_mm": 22.0})], "outline": disc()}, "not as large as its edges"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_what_cannot_be_planned_is_said_and_the_rest_given(options, words):
    found = told(**options)
    assert len(said(found, words)) == 1
    assert found.runs and found.sweep.score.size == 180
    assert (found.table == ()) == (options.get("cutters") == [])
    assert len(rows(found)) > len(found.cautions)


def test_what_the_router_allows_is_said_where_it_is_not_known():
    assert [r for r in rows(told()) if "router" in r[1] and r[0] == "Depth"]


def test_cautions_come_first_and_climb_cuts_are_named():
    found = told()
    assert found.cautions[0].startswith("The machine's manual") and "local rules" in found.cautions[0]
    climbs = [str(r.order) for r in found.runs if r.feed == "climb"]
    (sentence,) = said(found, "Climb cut")
    assert climbs and all(c in sentence for c in climbs)
    assert rows(found)[0][0] == "Caution"


def test_a_better_grain_direction_is_suggested_and_the_chosen_one_kept():
    found = told(outline=prong(), grain_deg=0.0)
    assert found.grain_deg == 0.0 and found.best_grain_deg == pytest.approx(90, abs=3)
    assert said(found, "instead of 0°") and said(found, "Short grain at (50, 80)")


def test_nonsense_is_refused():
    for options in ({"grain_deg": math.nan}, {"uncertainty_mm": -1.0}, {"runout": -0.1}):
        with pytest.raises(InputError):
            told(**options)


@pytest.mark.parametrize("turn", [0.4, 2.5])
def test_turning_part_and_grain_turns_the_plan(turn):
    a, b = (
        told(outline=rounded_plate()),
        told(outline=rounded_plate().moved(turn, (0, 0)), grain_deg=20 + math.degrees(turn)),
    )
    assert [(r.feed, r.loop) for r in a.runs] == [(r.feed, r.loop) for r in b.runs]
    areas = (
        [[r.area_mm2 for r in row.remainders] for row in a.table],
        [[r.area_mm2 for r in row.remainders] for row in b.table],
    )
    assert np.allclose(np.concatenate(areas[0]), np.concatenate(areas[1]), rtol=1e-3)
    assert len(a.table) == len(default_rack().cutters)
