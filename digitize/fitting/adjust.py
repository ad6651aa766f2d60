"""All pieces of a loop adjusted together: least squares of the points' distances, under the joints' conditions.

Unknown are the pieces' parameters and the joint points. At every joint both pieces pass through the joint point; at a
smooth one their headings are parallel as well. Each step solves the linearised problem with Lagrange multipliers
(Gauss-Newton; Mikhail, Observations and Least Squares, 1976, "general adjustment with constraints"; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from digitize.fitting import spline
from digitize.model.segment import DEGREE, Points

Floats = npt.NDArray[np.float64]
Jet = tuple[Floats, Floats, Floats]
"""A value (k,), its derivatives by the piece's parameters (k, n) and by the joint point (k, 2)."""

STEPS = 3  # of least squares; splines only creep along themselves after that
CLOSING_STEPS = 6  # towards the conditions alone, quadratic
CLOSED_MM = 1e-10  # a joint is closed, and a smooth one parallel (radians), to rounding
SETTLED = 1e-5  # last step, mm or radians
LONGEST_STEP = 2.0  # mm or radians: a guess may be poor, a leap makes it no better
OUTLIER_SIGMA = 3.0  # distance, in sigmas, beyond which a point soon counts for nothing
WEAKEST = 1e-9  # damping relative to the stiffest unknown: only numbers that nothing else determines feel it


class Unsettled(Exception):
    """The conditions cannot be met by these pieces.

    joint, piece : which one is most to blame, where that is known
    """

    def __init__(self, joint: int | None = None, piece: int | None = None) -> None:
        super().__init__()
        self.joint = joint
        self.piece = piece


@dataclass(frozen=True)
class LineFit:
    """A line at ``offset`` (mm) to the left of ``anchor``, heading ``angle`` (radians)."""

    anchor: Floats
    angle: float
    offset: float = 0.0

    @property
    def along(self) -> Floats:
        return np.array([math.cos(self.angle), math.sin(self.angle)])

    @property
    def left(self) -> Floats:
        return np.array([-math.sin(self.angle), math.cos(self.angle)])

    @property
    def size(self) -> int:
        return 2

    def distances(self, points: Points) -> Floats:
        off: Floats = (points - self.anchor) @ self.left - self.offset
        return off

    def feet(self, points: Points) -> Points:
        feet: Points = points - self.distances(points)[:, None] * self.left
        return feet

    def system(self, points: Points, weights: Floats) -> tuple[Floats, Floats]:
        j = np.column_stack([-(points - self.anchor) @ self.along, -np.ones(len(points))])
        return (j * weights[:, None]).T @ j, -j.T @ (weights * self.distances(points))

    def on(self, q: Floats, at_end: bool) -> Jet:
        return (
            self.distances(q[None]),
            np.array([[-(q - self.anchor) @ self.along, -1.0]]),
            self.left[None],
        )

    def heading(self, q: Floats, at_end: bool) -> Jet:
        return self.along, np.column_stack([self.left, np.zeros(2)]), np.zeros((2, 2))

    def stepped(self, d: Floats) -> LineFit:
        return replace(self, angle=self.angle + float(d[0]), offset=self.offset + float(d[1]))


@dataclass(frozen=True)
class ArcFit:
    """A circle about ``centre``, travelled counter-clockwise (``sign`` 1) or clockwise (-1)."""

    centre: Floats
    radius: float
    sign: float

    @property
    def size(self) -> int:
        return 3

    def distances(self, points: Points) -> Floats:
        off: Floats = self.sign * (self.radius - np.linalg.norm(points - self.centre, axis=1))
        return off

    def feet(self, points: Points) -> Points:
        feet: Points = self.centre + self.radius * self._outward(points)[0]
        return feet

    def _outward(self, points: Points) -> tuple[Floats, Floats]:
        away = points - self.centre
        distance = np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
        return away / distance, distance

    def system(self, points: Points, weights: Floats) -> tuple[Floats, Floats]:
        j = self.sign * np.column_stack([self._outward(points)[0], np.ones(len(points))])
        return (j * weights[:, None]).T @ j, -j.T @ (weights * self.distances(points))

    def on(self, q: Floats, at_end: bool) -> Jet:
        out = self._outward(q[None])[0]
        return self.distances(q[None]), self.sign * np.column_stack([out, [1.0]]), -self.sign * out

    def heading(self, q: Floats, at_end: bool) -> Jet:
        out, distance = self._outward(q[None])
        turned = self.sign * np.array([[0.0, -1.0], [1.0, 0.0]])
        by_q = turned @ (np.eye(2) - out.T @ out) / distance[0, 0]
        return turned @ out[0], np.column_stack([-by_q, np.zeros(2)]), by_q

    def stepped(self, d: Floats) -> ArcFit:
        return replace(self, centre=self.centre + d[:2], radius=max(self.radius + float(d[2]), self.radius / 4))


@dataclass(frozen=True)
class CurveFit:
    """A cubic B-spline: control points (n, 2), clamped knots (n + 4,) on 0..1."""

    control: Points
    knots: Floats

    @property
    def size(self) -> int:
        return 2 * len(self.control)

    def parameters(self, points: Points) -> Floats:
        grid = np.linspace(0.0, 1.0, 24 * len(self.control))
        nearest = cKDTree(BSpline(self.knots, self.control, DEGREE)(grid)).query(points)[1]
        return spline.foot_points(self.control, self.knots, points, grid[nearest])

    def distances(self, points: Points) -> Floats:
        t = self.parameters(points)
        return spline.normal_system(self.control, self.knots, points, np.ones(len(points)), t)[2]

    def feet(self, points: Points) -> Points:
        feet: Points = BSpline(self.knots, self.control, DEGREE)(self.parameters(points))
        return feet

    def system(self, points: Points, weights: Floats) -> tuple[Floats, Floats]:
        t = self.parameters(points)
        return spline.normal_system(self.control, self.knots, points, weights, t)[:2]

    def on(self, q: Floats, at_end: bool) -> Jet:
        n, k = len(self.control), -1 if at_end else 0
        j = np.zeros((2, 2 * n))
        j[0, k % n] = j[1, n + k % n] = -1.0
        return q - self.control[k], j, np.eye(2)

    def heading(self, q: Floats, at_end: bool) -> Jet:
        n = len(self.control)
        tail, head = (n - 2, n - 1) if at_end else (0, 1)
        d = self.control[head] - self.control[tail]
        length = max(float(np.linalg.norm(d)), 1e-9)
        d = d / length
        turn = (np.eye(2) - np.outer(d, d)) / length
        j = np.zeros((2, 2 * n))
        j[:, [tail, n + tail]], j[:, [head, n + head]] = -turn, turn
        return d, j, np.zeros((2, 2))

    def stepped(self, d: Floats) -> CurveFit:
        return replace(self, control=self.control + d.reshape(2, -1).T)


PieceFit = LineFit | ArcFit | CurveFit


@dataclass(frozen=True)
class Joint:
    """Where a piece ends and the next begins, mm; smooth joints share the tangent."""

    at: Floats
    smooth: bool


def _conditions(a: PieceFit, b: PieceFit, joint: Joint) -> list[tuple[Floats, Floats, Floats, Floats]]:
    """Conditions of one joint: value, derivatives by a, by b and by the joint point."""
    va, ja, qa = a.on(joint.at, True)
    vb, jb, qb = b.on(joint.at, False)
    rows = [(va, ja, np.zeros((len(va), b.size)), qa), (vb, np.zeros((len(vb), a.size)), jb, qb)]
    if joint.smooth:
        (ax, ay), ha, ga = a.heading(joint.at, True)
        (bx, by), hb, gb = b.heading(joint.at, False)
        by_a, by_b = np.array([[by, -bx]]), np.array([[-ay, ax]])
        rows.append((np.array([ax * by - ay * bx]), by_a @ ha, by_b @ hb, by_a @ ga + by_b @ gb))
    return rows


def _step(
    pieces: Sequence[PieceFit], joints: Sequence[Joint], data: Sequence[tuple[Points, Floats]], settle: bool
) -> tuple[Floats, Floats]:
    """Change of all unknowns (pieces, then joints), and by how much each joint violated its conditions before it.

    settle : least squares; otherwise the smallest change that meets the conditions
    """
    sizes = [p.size for p in pieces]
    at = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    n = int(at[-1]) + 2 * len(joints)
    h, g = np.zeros((n, n)), np.zeros(n)
    for k, (piece, (points, weights)) in enumerate(zip(pieces, data, strict=True)):
        if len(points):
            own = slice(at[k], at[k + 1])
            h[own, own], g[own] = piece.system(points, weights)
    rows, values, worst = [], [], np.zeros(len(joints))
    for k, joint in enumerate(joints):
        after = (k + 1) % len(pieces)
        for value, by_a, by_b, by_q in _conditions(pieces[k], pieces[after], joint):
            row = np.zeros((len(value), n))
            row[:, at[k] : at[k + 1]] += by_a
            row[:, at[after] : at[after + 1]] += by_b
            row[:, at[-1] + 2 * k : at[-1] + 2 * k + 2] = by_q
            rows.append(row)
            values.append(value)
            worst[k] = max(worst[k], float(np.abs(value).max()))
    scale = max(float(h.max()), 1e-12)
    c, v = np.vstack(rows), np.concatenate(values)
    if settle:
        h[np.arange(n), np.arange(n)] += WEAKEST * scale
    else:
        h, g = scale * np.eye(n), np.zeros(n)
    kkt = csc_array(np.block([[h / scale, c.T], [c, -1e-14 * np.eye(len(c))]]))
    step: Floats = splu(kkt).solve(np.concatenate([g / scale, -v]))[:n]
    return step, worst


def robust(distances: Floats, weights: Floats, sigma: Floats) -> Floats:
    """Weights with stray points played down (Geman-McClure)."""
    played_down: Floats = weights / (1 + (distances / (OUTLIER_SIGMA * sigma)) ** 2) ** 2
    return played_down


def adjusted(
    pieces: Sequence[PieceFit], joints: Sequence[Joint], data: Sequence[tuple[Points, Floats]], closing: bool = True
) -> tuple[list[PieceFit], list[Joint]]:
    """Pieces and joints of least squares.

    joints[k] lies between pieces[k] and the next (the last one closes the loop); data[k] holds the points (N, 2) of
    pieces[k] and their weights (N,). closing : the joints are closed to CLOSED_MM, not only nearly

    Raises
    ------
    Unsettled where the conditions contradict each other, or no solution is near
    """
    pieces, joints = list(pieces), list(joints)
    settling = True
    for k in range(STEPS + CLOSING_STEPS):
        try:
            step, open_by = _step(pieces, joints, data, settling)
        except RuntimeError as error:
            raise Unsettled from error
        largest = float(np.abs(step).max())
        if not math.isfinite(largest):
            raise Unsettled(int(open_by.argmax()))
        if not settling and open_by.max() < CLOSED_MM:
            return pieces, joints
        settling = settling and largest > SETTLED and k < STEPS
        if not (settling or closing):
            return pieces, joints
        step *= min(1.0, LONGEST_STEP / max(largest, 1e-12))
        i = 0
        for at, piece in enumerate(pieces):
            pieces[at] = piece.stepped(step[i : i + piece.size])
            i += piece.size
        joints = [replace(j, at=j.at + step[i + 2 * n : i + 2 * n + 2]) for n, j in enumerate(joints)]
    raise Unsettled(int(open_by.argmax()))
