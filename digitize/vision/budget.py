"""What a traced outline does not know: every cause of error as the way it moves the edge, combined by JCGM 100.

A cause moves all edge points together: one field of displacements for each of its independent standard deviations.
From the fields follow the uncertainty of any length, and, once turn and shift of the whole are taken out since nobody
compares them, that of every point across its edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.model.errors import Caveat
from digitize.model.outline import Contour
from digitize.model.pattern import COVERAGE_FACTOR, Contribution
from digitize.model.segment import Points
from digitize.vision.advice import BY_MORE, advise
from digitize.vision.layout import ARCHES, PER_SHEET
from digitize.vision.polyline import outward
from digitize.vision.projection import LENS
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

SQRT3 = math.sqrt(3.0)  # half-width of a rectangular distribution to its standard deviation
PRINT_UNMEASURED = 0.002 / SQRT3  # a printer at "100 %" is within 0.2 %: common practice, from memory
CHECK_LINE_MM, CHECK_READING_MM = 150.0, 0.1 / SQRT3  # a steel rule read to 0.1 mm
THICKNESS_MM = 0.1 / SQRT3  # a caliper in a worn part
PLACE_PX = 0.05  # what shading, figure and blur leave in the place of an edge: measured on rendered photos
DIRECTIONS = 8  # in which the extremes of the part are taken

PRINT, VIEW, THICKNESS = "print scale of the sheets", "camera, lens and grid points", "thickness"
FLATNESS, PLACE, WARNINGS = "flatness of the sheets", "place of the edge", "what the warnings tell of"


@dataclass(frozen=True)
class Known:
    """What is known about the measuring: height of the upper arrises, mm, whether the prints were measured, and whether
    the lens was calibrated."""

    top: float
    scale_measured: bool
    lens_known: bool = False


@dataclass(frozen=True)
class Cause:
    """One cause of error.

    moves : (N, 2, K) mm, displacements of N points, a field for each of K independent standard deviations
    edge_mm : displacement of every edge on its own, standard deviation
    """

    name: str
    moves: Floats
    edge_mm: float = 0.0


@dataclass(frozen=True)
class Budget:
    """The uncertainty of one photo's parts.

    contributions : to every size
    bands : for each part and contour (n,) mm, expanded uncertainty (k = 2) of each point across its edge, after the
        best placement of the part
    advice : what would make it smaller by most, "" where nothing simple would
    """

    contributions: tuple[Contribution, ...]
    bands: tuple[tuple[Floats, ...], ...]
    advice: str


def budget(view: View, parts: Sequence[Sequence[Contour]], known: Known, caveats: Sequence[Caveat]) -> Budget:
    """The budget of the parts in a photo."""
    largest = max(parts, key=lambda part: part[0].area)
    ends = _extremes(largest[0].points)
    sigma = float(np.median(np.concatenate([c.sigma for part in parts for c in part])))
    found = causes(view, largest[0].points[ends.ravel()], sigma, known, caveats)
    apart = largest[0].points[ends[:, 0]] - largest[0].points[ends[:, 1]]
    contributions = tuple(Contribution(c.name, _size_ppm(c.moves, apart), c.edge_mm) for c in found)
    cures = _cures(view, known, _lens_share(view, largest[0].points[ends.ravel()], apart, known.top))
    advice = advise(contributions, cures, float(np.ptp(largest[0].points, axis=0).max()))
    return Budget(contributions, tuple(_bands(view, part, known, caveats) for part in parts), advice)


def _cures(view: View, known: Known, lens_share: float) -> dict[str, tuple[str, float]]:
    """For each cause what a person can do about it, and the share that is then left."""
    alone = len(view.sightings) == 1
    another = "lay another printed sheet on the far side of the part"
    cures = {
        VIEW: (another, BY_MORE) if known.lens_known else ("calibrate the camera (digitize lens)", lens_share),
        FLATNESS: (another if alone else "tape all sheets down flat", BY_MORE),
        THICKNESS: ("take the photo from higher above", BY_MORE),
        PLACE: ("take a sharp photo from nearer", BY_MORE),
        WARNINGS: ("do what the warnings say", 0.0),
    }
    if not known.scale_measured:
        cures[PRINT] = (
            "measure the sheets' check lines (--check-lines)",
            CHECK_READING_MM / CHECK_LINE_MM / PRINT_UNMEASURED,
        )
    return cures


def _lens_share(view: View, points: Points, apart: Points, top: float) -> float:
    """What a known lens would leave of the view's uncertainty."""
    lens = slice(LENS, len(view.parameters) - PER_SHEET * len(view.places))
    inner, cross = view.covariance[lens, lens], view.covariance[:, lens]
    known = view.covariance - cross @ np.linalg.pinv(inner, hermitian=True) @ cross.T
    slopes = view.sensitivity(view.image_from_bench(points, top), top)
    before, after = (_size_ppm(slopes @ _root(c), apart) for c in (view.covariance, known))
    return after / max(before, 1e-9)


def causes(view: View, points: Points, sigma: float, known: Known, caveats: Sequence[Caveat] = ()) -> tuple[Cause, ...]:
    """All causes, as they move points (N, 2), bench mm, at height ``known.top``, whose random error is ``sigma`` mm."""
    pixel = view.mm_per_px(points.mean(axis=0), known.top)
    aside = points - view.centre[:2]
    clear = view.height - known.top
    printed = CHECK_READING_MM / CHECK_LINE_MM if known.scale_measured else PRINT_UNMEASURED
    by_view, by_arches = _by_solve(view, points, known.top)
    warned = math.hypot(*(c.size_ppm for c in caveats)) * 1e-6
    warned_px = math.hypot(*(c.edge_px for c in caveats))
    return (
        Cause(PRINT, printed * _along_sheet_axes(view, points)),
        Cause(VIEW, by_view),
        Cause(THICKNESS, THICKNESS_MM / clear * aside[:, :, None]),
        Cause(FLATNESS, by_arches),
        Cause(PLACE, np.zeros((len(points), 2, 0)), math.hypot(sigma, PLACE_PX * pixel)),
        Cause(WARNINGS, warned * points[:, :, None], warned_px * pixel),
    )


def band(moves: Floats, normals: Points, points: Points, edge: npt.ArrayLike) -> Floats:
    """Expanded uncertainty (N,), mm, across the edge at points (N, 2), for fields (N, 2, K) and an error of each point.

    Turn and shift of all points together are taken out by least squares: they are the placement's, not the outline's.
    """
    across = np.einsum("ni,nik->nk", normals, moves)
    lever = points - points.mean(axis=0)
    turn = lever[:, 0] * normals[:, 1] - lever[:, 1] * normals[:, 0]
    rigid, _ = np.linalg.qr(np.column_stack([normals, turn]))
    left = across - rigid @ (rigid.T @ across)
    combined: Floats = COVERAGE_FACTOR * np.sqrt((left**2).sum(axis=1) + np.asarray(edge, dtype=float) ** 2)
    return combined


def _bands(view: View, part: Sequence[Contour], known: Known, caveats: Sequence[Caveat]) -> tuple[Floats, ...]:
    points, normals = (np.concatenate(a) for a in ([c.points for c in part], [outward(c.points, 2) for c in part]))
    found = causes(view, points, 0.0, known, caveats)
    edge = np.hypot(np.concatenate([c.sigma for c in part]), math.hypot(*(c.edge_mm for c in found)))
    whole = band(np.concatenate([c.moves for c in found], axis=2), normals, points, edge)
    return tuple(np.split(whole, np.cumsum([len(c.points) for c in part])[:-1]))


def _by_solve(view: View, points: Points, top: float) -> tuple[Floats, Floats]:
    """Fields of the view's covariance: what all but the sheets' shapes leave open, and what those add.

    With a square root of a covariance, each column is one independent error. The shapes' share is the covariance less
    that of all else for known shapes.
    """
    first = len(view.parameters) - PER_SHEET * len(view.places)
    arched = np.concatenate(
        [np.arange(k, k + PER_SHEET)[ARCHES] for k in range(first, len(view.parameters), PER_SHEET)]
    )
    root = np.linalg.cholesky(view.covariance[np.ix_(arched, arched)])
    by_arches = np.linalg.solve(root, view.covariance[arched]).T
    slopes = view.sensitivity(view.image_from_bench(points, top), top)
    others = slopes @ _root(view.covariance - by_arches @ by_arches.T)
    return np.concatenate([others, view.scale_sigma * points[:, :, None]], axis=2), slopes @ by_arches


def _root(covariance: Floats) -> Floats:
    values, axes = np.linalg.eigh(covariance)
    return np.asarray(axes * np.sqrt(np.maximum(values, 0.0)))


def _along_sheet_axes(view: View, points: Points) -> Floats:
    """(N, 2, 2): the points' parts along and across the first sheet, which a printer scales on their own."""
    turn = view.places[0].turn
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    return np.stack([(points @ axis)[:, None] * axis for axis in axes], axis=2)


def _extremes(outer: Points) -> npt.NDArray[np.intp]:
    """(DIRECTIONS, 2) indices of the points farthest apart along evenly spread directions."""
    angle = np.arange(DIRECTIONS) * math.pi / DIRECTIONS
    along = outer @ np.stack([np.cos(angle), np.sin(angle)])
    return np.stack([along.argmin(axis=0), along.argmax(axis=0)], axis=1)


def _size_ppm(moves: Floats, apart: Points) -> float:
    """Largest relative standard error of the lengths ``apart`` (M, 2) between points 2i and 2i + 1 of the fields."""
    if moves.shape[2] == 0:
        return 0.0
    length = np.linalg.norm(apart, axis=1)
    stretch = np.einsum("mi,mik->mk", apart / length[:, None], moves[0::2] - moves[1::2])
    return 1e6 * float((np.sqrt((stretch**2).sum(axis=1)) / length).max())
