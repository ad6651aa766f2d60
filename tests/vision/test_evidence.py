"""Edges that the photo does not show."""

import numpy as np
import pytest

from digitize.model.errors import PartError
from digitize.model.outline import Contour
from digitize.vision.evidence import judge_edge, off_colour

PIXEL = 0.5  # mm


def test_an_edge_that_does_not_show_is_told_or_refused() -> None:
    def contour(share: float, sigma: float) -> Contour:
        angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
        unseen = np.arange(400) < share * 400
        return Contour(60 * np.stack([np.cos(angle), np.sin(angle)], axis=1), np.where(unseen, 0.8, sigma) * PIXEL)

    assert judge_edge([contour(0.03, 0.1)], PIXEL) == ()
    (told,) = judge_edge([contour(0.03, 0.1), contour(0.10, 0.1)], PIXEL)
    assert "10% of a traced edge shows no step" in told.problem and told.edge_px > 0
    (vague,) = judge_edge([contour(0.0, 0.28)], PIXEL)
    assert "0.28 px" in vague.problem
    for hopeless in (contour(0.2, 0.1), contour(0.0, 0.4)):
        with pytest.raises(PartError, match="cannot be told from the bench"):
            judge_edge([hopeless], PIXEL)


@pytest.mark.parametrize("start", [0, 150, 395])
def test_a_stretch_on_another_colour_is_found_with_its_ends(start: int) -> None:
    """Tint of a face that drifts slowly and scatters; a stretch of 12 points fades in and out of another colour."""
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    noise = np.random.default_rng(1).normal(0, 0.004, (400, 2))
    tint = np.stack([0.14 + 0.02 * np.sin(angle), -0.14 - 0.01 * np.cos(angle)], axis=1) + noise
    assert not off_colour(tint, 25).any()
    other = (start + np.arange(12)) % 400
    tint[other, 0] -= 0.12 * np.minimum(1.0, np.minimum(np.arange(12) + 1.0, 12.0 - np.arange(12)) / 4.0)
    found = off_colour(tint, 41)
    assert found[other[1:-1]].all()
    assert found.sum() <= 13
