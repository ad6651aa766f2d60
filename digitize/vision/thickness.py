"""From the seen silhouette to the true outline of a part of known thickness.

A part with square edges has two arrises: the upper one at the height of its face, the lower one on the bench. Where
the outward normal points away from the foot of the camera, the camera sees the upper arris against the bench; where it
points toward it, the camera sees the wall, and the silhouette is the lower arris. Both lie over the same true outline,
so mapping each silhouette point at the height of the arris that makes it is exact, at any tilt and for holes too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely import Polygon, make_valid
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from digitize.model.segment import Points
from digitize.model.sheet import PAPER_MM
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Heights:
    """Heights of the arrises above the sheets' faces, mm; ``foot`` is None where one height serves for all points.

    eased : how far the upper arris has been taken off, across and down; the wall then begins at ``top``, and the flat
        face ends so far inside it and above it
    """

    top: float
    foot: float | None
    eased: float = 0.0

    @classmethod
    def of(cls, thickness: float, edge_height: float | None = None, eased: float = 0.0) -> Heights:
        """A part of ``thickness`` standing on the bench, a paper below the sheets' faces; or one edge at one height."""
        if edge_height is not None:
            return cls(edge_height - PAPER_MM, None)
        return cls(thickness - eased - PAPER_MM, -PAPER_MM, eased)


def true_outline(view: View, silhouette: Sequence[Points], heights: Heights) -> list[Points]:
    """True outline, mm, of a part's silhouette: closed loops (N, 2) px, the outer one first, then its holes.

    The silhouette mapped at the height of the upper arris is right where the camera sees that arris and too large
    elsewhere; mapped at the lower arris likewise. What both maps cover is the part, and where the silhouette runs along
    a ray from the foot of the camera, their borders cross in the one true point. At an inside corner the walls hide the
    corner's own point, which then comes out cut; holes that a wall hides come out narrower, and may vanish.

    Returns
    -------
    Loops (N, 2), the outer one counter-clockwise, then holes clockwise.
    """
    upper = _filled([view.bench_from_image(loop, heights.top) for loop in silhouette])
    if heights.foot is None:
        part = upper
    else:
        part = upper.intersection(_filled([view.bench_from_image(loop, heights.foot) for loop in silhouette]))
    largest = orient(max(getattr(part, "geoms", [part]), key=lambda g: g.area))
    return [np.asarray(ring.coords)[:-1] for ring in (largest.exterior, *largest.interiors)]


def _filled(loops: Sequence[Points]) -> BaseGeometry:
    return make_valid(Polygon(loops[0], loops[1:]))
