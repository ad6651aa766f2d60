"""Does the photo really show the edge that was located? Points that lie on something else; what to say of an edge that
shows poorly, or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_propagation, median_filter

from digitize.model.errors import Caveat, PartError
from digitize.model.outline import Contour

VAGUE_PX, LOST_PX = 0.22, 0.33  # standard error of edge points; a fair edge has 0.05 to 0.15
UNSEEN_PX = 0.75  # standard error that tells of no edge there at all; doubtful ones have up to 0.6
UNSEEN_SHARE, MOST_UNSEEN = 0.06, 0.15  # of the points; fair photos have up to 0.04
MOSTLY_KNOWN, LEAST_KNOWN = 0.7, 0.4  # share of an edge that was located
ODD_TINT, LIKE_ODD = 5.0, 2.5  # robust standard deviations from the face's; beside odd ones
LEAST_TINT = 0.002  # of full white: photos tell no finer
GAP_PX = 8.0  # between points of an edge that was followed without a break


def judge_edge(contours: Sequence[Contour], pixel: float) -> tuple[Caveat, ...]:
    """What to know about located edges, at ``pixel`` mm on the bench.

    Raises
    ------
    PartError if an edge scatters so much that it is none
    """
    scatter = max(float(np.median(c.sigma)) for c in contours) / pixel
    known = min(_share_located(c, pixel) for c in contours)
    unseen = max(float(np.mean(c.sigma > UNSEEN_PX * pixel)) for c in contours)
    remedy = "take the photo with more even light, or lay the part on a bench of another colour"
    if scatter > LOST_PX or known < LEAST_KNOWN or unseen > MOST_UNSEEN:
        raise PartError(
            f"the edge cannot be told from the bench (its points scatter by {scatter:.2f} px, limit {LOST_PX} px; "
            f"{known:.0%} of it was found, at least {LEAST_KNOWN:.0%} is needed; {unseen:.0%} of that shows no step, "
            f"limit {MOST_UNSEEN:.0%})",
            remedy,
        )
    if unseen > UNSEEN_SHARE:
        told = f"{unseen:.0%} of a traced edge shows no step in the photo (limit {UNSEEN_SHARE:.0%})"
        return (
            Caveat(f"{told}; it may run through the part or along a shadow: look at the picture", remedy, edge_px=1.0),
        )
    if scatter > VAGUE_PX or known < MOSTLY_KNOWN:
        told = f"the edge stands out poorly: its points scatter by {scatter:.2f} px (limit {VAGUE_PX} px)"
        return (Caveat(f"{told} and {known:.0%} of it was found (limit {MOSTLY_KNOWN:.0%})", remedy, edge_px=scatter),)
    return ()


def off_colour(tint: npt.NDArray[np.float64], nearby: int) -> npt.NDArray[np.bool_]:
    """Points (N,) round a loop with a tint (N, C) just inside that the face has not nearby, and those beside them that
    share in it: a line on the bench that is as light as the face passes for the part until its colour is looked at.

    nearby : number of points, odd, over which the face's tint is taken as one
    """
    off = np.abs(tint - median_filter(tint, (nearby, 1), mode="wrap"))
    off = (off / (1.4826 * np.median(off, axis=0) + LEAST_TINT)).max(axis=1)
    n, ringed = len(off), np.tile(off, 3)
    found = binary_propagation(ringed > ODD_TINT, mask=ringed > LIKE_ODD)
    return np.asarray(found[n : 2 * n], dtype=bool)


def _share_located(contour: Contour, pixel: float) -> float:
    """Share of a contour's length that lies between points no more than GAP_PX apart."""
    steps = np.linalg.norm(np.roll(contour.points, -1, axis=0) - contour.points, axis=1)
    return float(steps[steps < GAP_PX * pixel].sum() / steps.sum())
