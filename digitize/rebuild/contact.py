"""Where two placed pieces touch: signed gaps along the edge, and the runs of it that are a fracture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from digitize.model.segment import Points
from digitize.rebuild.match import Piece, Placement

Floats = npt.NDArray[np.float64]

FACING = -0.4  # cosine between the directions of two edges that may touch: corners are rounded differently
FAR_MM = 12.0  # gaps are not told apart beyond this
LEAST_MM = 3.0  # contact that makes a run
CHORD_MM = 2.0  # over which the direction of an edge is read


@dataclass(frozen=True)
class Touch:
    """The edge of piece b against piece a, for each sample of b.

    gap : (N,) mm, from a's edge outward; negative where they overlap
    facing : (N,) whether the edges run against each other there
    foot, outward : (N, 2) mm, the nearest place of a's edge and a's normal there, in the common frame
    s : (N,) mm, its distance along a
    """

    gap: Floats
    facing: npt.NDArray[np.bool_]
    foot: Points
    outward: Points
    s: Floats


@dataclass(frozen=True)
class Contact:
    """A run of edge along which two pieces meet, from ``a[0]`` to ``a[1]`` along a and ``b[0]`` to ``b[1]`` along b.

    length_mm : of edge that touches; gap_mm, overlap_mm : the largest between a[0] and a[1]
    roughness : how much the edge turns to and fro along what touches, radians: 0 for a straight break or a round edge
    """

    a: tuple[float, float]
    b: tuple[float, float]
    length_mm: float
    gap_mm: float
    overlap_mm: float
    roughness: float


def touching(a: Piece, b: Piece, at_a: Placement, at_b: Placement) -> Touch:
    """How b's samples lie against a's edge, both placed in the common frame."""
    points, tangents, s, tree = a.dense
    placed = at_b.moved(b.points)
    nearest = tree.query(at_a.back(placed), distance_upper_bound=FAR_MM)[1]
    far = nearest == len(points)
    nearest = np.where(far, 0, nearest)
    foot, heading = at_a.moved(points[nearest]), at_a.turned(tangents[nearest])
    outward = np.column_stack([heading[:, 1], -heading[:, 0]])
    away = placed - foot
    gap = (away * outward).sum(axis=1)
    beside = np.linalg.norm(away, axis=1)
    past = ~far & (beside > 1.5 * np.abs(gap) + 0.1)  # nearest to a corner, whose normal says nothing
    inside = shapely.contains_xy(a.polygon, at_a.back(placed[past]))
    gap[past] = np.where(inside, -beside[past], beside[past])
    gap = np.where(far, FAR_MM, gap)
    facing = ~far & ((at_b.turned(b.tangents) * heading).sum(axis=1) < FACING)
    return Touch(gap, facing, foot, outward, s[nearest])


def contacts(a: Piece, b: Piece, found: Touch, near: float, lost: float) -> list[Contact]:
    """The runs along which two pieces meet.

    near : mm, a gap or overlap up to this is contact
    lost : mm, a gap up to twice this, between places in contact, is lost splinters of both
    """
    touching = found.facing & (np.abs(found.gap) <= near)
    if not touching.any():
        return []
    bridged = touching | (np.abs(found.gap) <= 2 * lost)
    return [c for c in (_contact(a, b, found, touching, r) for r in _runs(bridged)) if c and c.length_mm >= LEAST_MM]


def _runs(good: npt.NDArray[np.bool_]) -> list[npt.NDArray[np.intp]]:
    """Indices of the runs of neighbours, round the loop, that are all good."""
    n = len(good)
    if good.all():
        return [np.arange(n)]
    start = int(np.flatnonzero(~good)[0])
    rolled = np.roll(good, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rolled, [False]]).astype(int)))
    return [(np.arange(lo, hi) + start) % n for lo, hi in zip(edges[::2], edges[1::2], strict=True)]


def _contact(
    a: Piece, b: Piece, found: Touch, touching: npt.NDArray[np.bool_], run: npt.NDArray[np.intp]
) -> Contact | None:
    held = np.flatnonzero(touching[run])
    if len(held) < 2:
        return None
    run = run[held[0] : held[-1] + 1]
    held = run[touching[run]]
    gap = found.gap[run]
    return Contact(
        a=(float(found.s[run[-1]]), float(found.s[run[0]])),
        b=(float(b.s[run[0]]), float(b.s[run[-1]])),
        length_mm=len(held) * b.step,
        gap_mm=float(max(gap.max(), 0.0)),
        overlap_mm=float(max(-gap.min(), 0.0)),
        roughness=_roughness(b, run) * len(held) / len(run),
    )


def _roughness(piece: Piece, run: npt.NDArray[np.intp]) -> float:
    """Turns to and fro along a run of samples, radians, read over chords that noise hardly turns."""
    stride = max(1, round(CHORD_MM / piece.step))
    chords = np.diff(piece.points[run[::stride]], axis=0)
    turns = np.arctan2(
        chords[:-1, 0] * chords[1:, 1] - chords[:-1, 1] * chords[1:, 0], (chords[:-1] * chords[1:]).sum(axis=1)
    )
    return float(np.abs(turns).sum() - abs(turns.sum()))
