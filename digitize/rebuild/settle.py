"""All pieces placed together: contact along the fractures, and edges that go on as each other across them.

Unknown are a turn and a shift for every piece but the first. Gaps and overlaps along fractures are least squares with
far ones played down (Geman-McClure), since splinters are lost; where two edges go on as each other, both must lie on
one straight line or one cubic. Gauss-Newton; the covariance counts neighbouring points of an edge as one, since a
fitted edge errs over some length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points
from digitize.rebuild.contact import Touch, touching
from digitize.rebuild.ends import End
from digitize.rebuild.match import Piece, Placement

Floats = npt.NDArray[np.float64]

ROUNDS = 20
SETTLED = 1e-5  # last step, mm or radians
CAPTURE_MM = (2.0, 1.0, 0.6)  # gaps beyond this are no contact, round by round; the last holds on
TOGETHER_MM = 3.0  # length of edge over which its errors go together
LEAST_SIGMA_MM = 0.02  # of an edge in contact, and
FAIR_SIGMA_MM = 0.04  # of two edges that go on as one: their shape is a guess too
PLAYED_DOWN = 2.5  # gaps of so many sigmas soon count for nothing
WEAKEST = 1e-7  # damping, relative to the stiffest unknown: two straight edges slide freely along each other


@dataclass(frozen=True)
class Settled:
    """Where the pieces lie, and how sure that is.

    covariance : (3n, 3n) of each piece's turn (radians) and shift (mm) about its own ``middle``; zero for the first
    sigma_mm : scatter of the gaps along the fractures
    """

    at: tuple[Placement, ...]
    middles: Points
    covariance: Floats
    sigma_mm: float


def settled(
    pieces: Sequence[Piece], at: Sequence[Placement], pairs: Sequence[tuple[int, int]], ends: Sequence[End] = ()
) -> Settled:
    """Pieces placed by least squares from a first placement.

    pairs : which pieces touch; ends : where edges go on, those that are not fair are left out
    """
    at = list(at)
    sigma = CAPTURE_MM[-1] / 2
    fair = [e for e in ends if e.fair]
    for k in range(ROUNDS):
        capture = CAPTURE_MM[min(k, len(CAPTURE_MM) - 1)]
        middles = np.array([p.moved(piece.points.mean(axis=0)) for p, piece in zip(at, pieces, strict=True)])
        system = _System(len(pieces))
        gaps = [_pressed(system, pieces, at, middles, pair, capture, sigma) for pair in pairs]
        for end in fair:
            _continued(system, at, middles, end)
        step, covariance = system.solved()
        at = [p.then(float(d[0]), d[1:], m) for p, d, m in zip(at, step, middles, strict=True)]
        sigma = max(
            LEAST_SIGMA_MM, 1.4826 * float(np.median(np.abs(np.concatenate(gaps)))) if any(map(len, gaps)) else sigma
        )
        if k >= len(CAPTURE_MM) and np.abs(step).max() < SETTLED:
            break
    return Settled(tuple(at), middles, covariance, sigma)


class _System:
    """Normal equations for a turn and a shift of each piece; the first stays."""

    def __init__(self, count: int) -> None:
        self.matrix = np.zeros((3 * count, 3 * count))
        self.right = np.zeros(3 * count)

    def add(self, rows: Floats, values: Floats, weights: Floats) -> None:
        """Rows (N, 3n) whose product with the step should be minus the values (N,)."""
        self.matrix += (rows * weights[:, None]).T @ rows
        self.right -= rows.T @ (weights * values)

    def solved(self) -> tuple[Floats, Floats]:
        free = self.matrix[3:, 3:] + WEAKEST * max(self.matrix.max(), 1.0) * np.eye(len(self.right) - 3)
        covariance = np.zeros_like(self.matrix)
        covariance[3:, 3:] = np.linalg.inv(free)
        step: Floats = (covariance @ self.right).reshape(-1, 3)
        return step, covariance


def _pressed(
    system: _System,
    pieces: Sequence[Piece],
    at: Sequence[Placement],
    middles: Points,
    pair: tuple[int, int],
    capture: float,
    sigma: float,
) -> Floats:
    """Adds the gaps between two pieces to the system; returns those within reach."""
    i, j = pair
    found: Touch = touching(pieces[i], pieces[j], at[i], at[j])
    held = found.facing & (np.abs(found.gap) < capture)
    gap, foot, outward = found.gap[held], found.foot[held], found.outward[held]
    points = at[j].moved(pieces[j].points[held])
    rows = np.zeros((len(gap), len(system.right)))
    rows[:, 3 * j : 3 * j + 3] = _moving(points - middles[j], outward)
    rows[:, 3 * i : 3 * i + 3] = -_moving(foot - middles[i], outward)
    weights = min(1.0, pieces[j].step / TOGETHER_MM) / sigma**2 / (1 + (gap / (PLAYED_DOWN * sigma)) ** 2) ** 2
    system.add(rows, gap, weights)
    return gap


def _moving(arm: Points, along: Points) -> Floats:
    """How far points at ``arm`` (N, 2) from a piece's middle go along directions (N, 2), by its turn and shift."""
    return np.column_stack([arm[:, 0] * along[:, 1] - arm[:, 1] * along[:, 0], along])


def _continued(system: _System, at: Sequence[Placement], middles: Points, end: End) -> None:
    """Adds what two edges leave of the line or the cubic that is fitted to both."""
    assert end.sides is not None  # only fair ends come here
    numbers = (end.before, end.after)
    placed = [at[k].moved(side.points) for k, side in zip(numbers, end.sides, strict=True)]
    axis = placed[1][-1] - placed[0][-1]
    axis = axis / np.linalg.norm(axis)
    left = np.array([-axis[1], axis[0]])
    points = np.vstack(placed)
    u, v = (points - points[0]) @ axis, (points - points[0]) @ left
    degree = 1 if all(side.straight for side in end.sides) else 3
    basis = np.linalg.qr(np.vander((u - u.mean()) / np.ptp(u), degree + 1))[0]
    rows = np.zeros((len(points), len(system.right)))
    for k, number in enumerate(numbers):
        own = slice(0, len(placed[0])) if k == 0 else slice(len(placed[0]), None)
        along = np.tile(left, (len(placed[k]), 1))
        rows[own, 3 * number : 3 * number + 3] += _moving(placed[k] - middles[number], along)
    rows, v = rows - basis @ (basis.T @ rows), v - basis @ (basis.T @ v)
    spacing = float(np.linalg.norm(np.diff(placed[0], axis=0), axis=1).mean())
    system.add(rows, v, np.full(len(v), min(1.0, spacing / TOGETHER_MM) / FAIR_SIGMA_MM**2))
