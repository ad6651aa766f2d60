"""A pattern on the desk: as it was traced or opened, and each state that a person's hand has brought it to.

Everything is in the pattern's own frame. A draft is frozen; to undo is to take the one before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from digitize.compare.placement import Placement
from digitize.editing.measured import invented_lines, reference_of, unmeasured
from digitize.editing.stretches import redrawn
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Points, as_point
from digitize.pipeline import Tracing
from digitize.rebuild import record
from digitize.rebuild.affine import transformed
from digitize.rebuild.path import Path
from digitize.vision.photo import Photo
from digitize.vision.stroke import edges_near
from digitize.vision.thickness import Heights
from digitize.vision.trace import Setup
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

LEAST_WITHIN_MM = 0.1  # an outline this near to measured points is measured, whatever its uncertainty
WITHIN_SIGMAS = 3.0
STROKE_SIGMA_MM = 0.5  # as a hand draws
STROKE_CHORD_MM = 0.05
FEWEST = 8  # points of an edge
FARTHEST_MM = 6.0  # from a stroke to the edge that is meant


@dataclass(frozen=True)
class Sight:
    """How a camera saw the part: what a photo and a pattern's frame have to do with each other.

    laid : from the bench to the pattern's frame
    """

    view: View
    setup: Setup
    laid: Placement

    def heights(self, thickness: float | None) -> Heights:
        return replace(self.setup, thickness=thickness or self.setup.thickness).heights

    def photo_from_pattern(self, points: npt.ArrayLike, thickness: float | None) -> Points:
        """Where a part of this thickness shows its outline's points (N, 2), photo px."""
        bench = self.laid.back(np.asarray(points, dtype=float))
        return self.view.image_from_bench(bench, self.heights(thickness).top)

    def pattern_from_photo(self, px: npt.ArrayLike, thickness: float | None) -> Points:
        return self.laid.of(self.view.bench_from_image(np.asarray(px, dtype=float), self.heights(thickness).top))


@dataclass(frozen=True)
class Draft:
    """A pattern with what it rests on.

    edges : polylines (N, 2) of edge points that were measured; none for a pattern that was opened
    half : for each of them (N,) mm: within this distance lies the true edge
    fitted : polylines of the outline that was fitted to them, where it was
    within : mm, an outline farther from all of these was not measured there
    """

    pattern: Pattern
    edges: tuple[Points, ...]
    half: tuple[Floats, ...]
    fitted: tuple[Points, ...]
    within: float

    @property
    def outline(self) -> Outline:
        return self.pattern.outline


def opened(pattern: Pattern) -> Draft:
    """A kept pattern; what of it was measured is what it does not call invented."""
    return Draft(pattern, (), (), reference_of(pattern), LEAST_WITHIN_MM)


def traced(tracing: Tracing) -> tuple[Draft, Sight]:
    """The largest part of a tracing, and how the photo shows it."""
    k = max(range(len(tracing.outlines)), key=lambda i: tracing.outlines[i].outer.area)
    contours, bands = tracing.traced.parts[k], tracing.traced.budget.bands[k]
    noise = max(float(np.median(c.sigma)) for c in contours)
    edges = tuple(tracing.laid.of(np.vstack([c.points, c.points[:1]])) for c in contours)
    half = tuple(np.append(band, band[:1]) for band in bands)
    pattern, within = tracing.patterns[k], max(LEAST_WITHIN_MM, WITHIN_SIGMAS * noise)
    draft = Draft(pattern, edges, half, reference_of(pattern), within)
    return draft, Sight(tracing.traced.view, tracing.setup, tracing.laid)


def edited(draft: Draft, outline: Outline, what: str, values: record.Values) -> Draft:
    """The draft with another outline, what was done written into the pattern's steps."""
    invented = unmeasured(outline, draft.edges + draft.fitted, draft.within)
    return replace(draft, pattern=record.redrawn(draft.pattern, outline, invented, (what, values)))


def rebuilt(draft: Draft, pattern: Pattern) -> Draft:
    """The draft with a pattern that a rebuilding made of its own, in the same frame.

    What that calls invented rests on nothing: edge points that lie nearer to it than to the rest are no longer counted.
    """
    known, made = reference_of(pattern), invented_lines(pattern)
    if not made:
        return replace(draft, pattern=pattern, fitted=known)
    edges, half = [], []
    for points, around in zip(draft.edges, draft.half, strict=True):
        here = shapely.points(points)
        sound = shapely.distance(shapely.MultiLineString(known), here) <= shapely.distance(
            shapely.MultiLineString(made), here
        )
        runs = [run for run in np.split(np.arange(len(points)), np.flatnonzero(np.diff(sound)) + 1) if sound[run[0]]]
        edges += [points[run] for run in runs if len(run) > 1]
        half += [around[run] for run in runs if len(run) > 1]
    return Draft(pattern, tuple(edges), tuple(half), known, draft.within)


def rethickened(draft: Draft, thickness: float, sight: Sight | None) -> Draft:
    """The part thicker or thinner than was told: what the camera saw lay higher or lower, and is smaller or larger.

    Seen from the camera both are the same; so everything is scaled about the foot of the camera, exactly.
    """
    before = draft.pattern.thickness_mm
    told = draft.pattern.model_copy(update={"thickness_mm": thickness})
    if sight is None or before is None:
        return replace(draft, pattern=told)
    eye, foot = sight.view.height, sight.laid.of(sight.view.centre[None, :2])[0]
    scale = (eye - sight.heights(thickness).top) / (eye - sight.heights(before).top)
    outline = transformed(draft.outline, scale * np.eye(2), foot)
    edges, fitted = (tuple(foot + scale * (p - foot) for p in lines) for lines in (draft.edges, draft.fitted))
    step: tuple[str, record.Values] = ("thickness told anew", {"thickness_mm": thickness, "before_mm": before})
    pattern = record.redrawn(told, outline, unmeasured(outline, edges + fitted, draft.within), step)
    return replace(draft, pattern=pattern, edges=edges, fitted=fitted)


def followed(draft: Draft, stroke: Points, photo: Photo, sight: Sight) -> Draft:
    """A stretch of the edge as the photo shows it beside a stroke (N, 2), mm, that a person drew along it.

    Raises
    ------
    InputError if the stroke's ends do not lie on one edge, or no edge can be seen beside it
    """
    start, end = as_point(stroke[0]), as_point(stroke[-1])
    by_hand = redrawn(draft.outline, start, end, stroke, np.full(len(stroke), STROKE_SIGMA_MM))
    loops = [sight.laid.back(loop.flattened(STROKE_CHORD_MM)) for loop in by_hand.loops]
    contours = edges_near(photo, sight.view, loops, sight.heights(draft.pattern.thickness_mm))
    k = int(np.argmin([Path(loop).nearest(stroke[len(stroke) // 2])[1] for loop in by_hand.loops]))
    points, sigma = _beside(sight.laid.of(contours[k].points), contours[k].sigma, stroke)
    outline = redrawn(draft.outline, as_point(points[0]), as_point(points[-1]), points, sigma)
    values: record.Values = {"from_x": start[0], "from_y": start[1], "to_x": end[0], "to_y": end[1]}
    seen = replace(draft, edges=(*draft.edges, points), half=(*draft.half, WITHIN_SIGMAS * sigma))
    return edited(seen, outline, "edge followed along a stroke", values)


def _beside(points: Points, sigma: Floats, stroke: Points) -> tuple[Points, Floats]:
    """The points (M, 2) of a closed contour that lie beside a stroke, in travel order, and their sigmas (M,)."""
    first, last = (int(np.hypot(*(points - end).T).argmin()) for end in (stroke[0], stroke[-1]))
    ways = [
        np.arange(a, b + (len(points) if b < a else 0) + 1) % len(points) for a, b in ((first, last), (last, first))
    ]
    middle = stroke[len(stroke) // 2]
    way = min(ways, key=lambda w: float(np.hypot(*(points[w] - middle).T).min()))
    away = float(np.hypot(*(points[way] - middle).T).min())
    if len(way) < FEWEST or away > FARTHEST_MM:
        raise InputError(
            f"No edge is seen beside the stroke ({len(way)} points, {away:.1f} mm off)",
            "draw along the edge itself, nearer to it and a little longer",
        )
    return points[way], sigma[way]
