"""ISO 14253-1's decision rule, and whether its verdicts keep their word."""

import numpy as np
import pytest

from digitize.compare.combine import Component
from digitize.compare.compare import How, compare
from digitize.compare.verdict import Verdict, decide
from digitize.model.errors import InputError
from digitize.model.pattern import Contribution, SheetSeen
from digitize.vision.budget import PRINT
from tests.bench.compare import trial
from tests.compare.synthetic import drawn, measured
from tests.helpers import bracket

C, N, U = Verdict.CONFORMS, Verdict.DOES_NOT_CONFORM, Verdict.NOT_DECIDED


@pytest.mark.parametrize(
    ("deviations", "expanded", "verdict", "place"),
    [  # zone 0.5: limits -0.25 and +0.25
        ([0.0], [0.10], C, 0),
        ([0.15], [0.10], C, 0),  # just inside by the guard band
        ([-0.15], [0.10], C, 0),
        ([0.151], [0.10], U, 0),  # inside, but not by the guard band
        ([-0.24], [0.10], U, 0),
        ([0.25], [0.10], U, 0),  # on the limit
        ([0.34], [0.10], U, 0),  # outside, but not by the guard band
        ([0.35], [0.10], U, 0),
        ([0.351], [0.10], N, 0),  # just outside by the guard band
        ([-0.36], [0.10], N, 0),
        ([0.25], [0.0], C, 0),  # exactly known: the limit itself still conforms (ISO 14253-1: within or on it)
        ([0.2501], [0.0], N, 0),
        ([0.1, -0.4, 0.2], [0.1, 0.1, 0.01], N, 1),  # one place is enough
        ([0.1, -0.2, 0.2], [0.1, 0.1, 0.01], U, 1),  # and one keeps it open
        ([0.1, -0.1, 0.2], [0.1, 0.1, 0.01], C, 2),
        ([0.0, 0.6], [0.4, 0.1], N, 1),  # hardly known elsewhere, but beyond here
        ([0.0, 0.0], [0.1, 0.4], U, 1),  # nowhere near a limit, but not known well enough there
    ],
)
def test_the_decision_rule(deviations: list[float], expanded: list[float], verdict: Verdict, place: int) -> None:
    found = decide(np.array(deviations), np.array(expanded), 0.5)
    assert (found.verdict, found.place) == (verdict, place)
    assert found.guard_band == expanded[place]
    assert bool(found.decides_it) == (verdict == U)


def test_a_zone_smaller_than_the_uncertainty_has_no_verdict() -> None:
    with pytest.raises(InputError, match=r"No verdict is possible: the zone leaves ±0.05 mm .* ±0.080 mm"):
        decide(np.array([0.01]), np.array([0.08]), 0.1)
    assert decide(np.array([0.5]), np.array([0.08]), 0.1).verdict == N  # beyond both: that much is known


def test_what_would_decide_names_the_largest_cause() -> None:
    shares = [
        Component("place of the edge (part)", np.array([0.01])),
        Component("print scale of the sheets (part)", np.array([0.05])),
    ]
    found = decide(np.array([0.2]), np.array([0.102]), 0.5, shares)
    assert "below 0.050 mm" in found.decides_it or "below 0.049 mm" in found.decides_it
    assert "check lines" in found.decides_it
    assert found.why.endswith("print scale of the sheets (part) 0.100 mm and place of the edge (part) 0.020 mm")


def test_the_uncertainty_of_both_sources_counts() -> None:
    """Away from corners, of edges alone: 2 x sqrt(2) x 0.03 mm, a little less where the placement follows the edge."""
    edge = (Contribution("place of the edge", 0.0, 0.03),)
    both = compare(measured(bracket(), edge), measured(bracket(), edge, "master"), How()).deviations
    one = compare(measured(bracket(), edge), drawn(bracket()), How()).deviations
    assert np.median(both.expanded) == pytest.approx(2 * 2**0.5 * 0.03, rel=0.12)
    assert np.median(both.expanded / one.expanded) == pytest.approx(2**0.5, rel=0.01)
    assert [s.name for s in both.shares] == ["place of the edge (part)", "place of the edge (master)"]


def test_a_wrong_size_counts_by_the_distance_from_the_middle() -> None:
    size = (Contribution("print scale of the sheets", 1000.0, 0.0),)
    found = compare(measured(bracket(), size), drawn(bracket()), How()).deviations
    far = np.abs(found.stations.points[:, 0] - 170.0).argmin()
    assert found.expanded.max() < 2 * 1e-3 * 110  # never more than the part is long from its middle
    assert found.expanded[far] > 2 * 1e-3 * 60


def test_intervals_and_verdicts_keep_their_word() -> None:
    """Parts with known deviations and noise as stated; the bench does a thousand."""
    trials = [trial(np.random.default_rng(k)) for k in range(30)]
    covered = np.mean([c for t in trials for c in t.covered])
    assert 0.90 <= covered <= 0.99  # 95 % meant; 30 parts tell it to about 2 %
    assert sum(t.verdict == C and not t.good for t in trials) <= 1
    assert sum(t.verdict == N and t.good for t in trials) <= 1
    assert sum(t.verdict == C for t in trials) >= 2 and sum(t.verdict == N for t in trials) >= 2


def test_the_same_prints_leave_out_what_they_are_off_by() -> None:
    # The same part beside the same sheets, printed 0.4 % too large: both come out 0.4 % small, and alike.
    shared = (Contribution(PRINT, 2000.0, 0.0), Contribution("place of the edge", 0.0, 0.02))
    part, master = (measured(bracket(), shared, name) for name in ("part", "master"))
    apart, together = (compare(part, master, How(zone=0.5, same_sheets=same)) for same in (False, True))
    assert apart.decision and apart.decision.verdict == U and "--same-sheets" in apart.decision.decides_it
    assert together.decision and together.decision.verdict == C
    assert together.decision.guard_band < 0.1 < apart.decision.guard_band
    assert [s.name for s in together.deviations.shares] == ["place of the edge (part)", "place of the edge (master)"]


def test_other_sheets_do_not_pass_for_the_same() -> None:
    part, master = measured(bracket(), ()), measured(bracket(), (), "master")
    assert part.measured is not None
    for other in ({"sheets": (SheetSeen(3, 88),)}, {"print_scale": (1.0, 0.999)}):
        moved = part.model_copy(update={"measured": part.measured.model_copy(update=other)})
        with pytest.raises(InputError, match="different sheets"):
            compare(moved, master, How(same_sheets=True))
    with pytest.raises(InputError, match="“drawn” was drawn"):
        compare(part, drawn(bracket(), "drawn"), How(same_sheets=True))
