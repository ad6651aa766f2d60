"""What a joint between pieces is like, and what to know about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitize.model.errors import Caveat
from digitize.rebuild.assemble import Fracture
from digitize.rebuild.ends import End
from digitize.rebuild.match import Piece
from digitize.rebuild.settle import Settled

MOST_OVERLAP_MM = 1.0  # at one place
MOST_ANGLE_DEG, MOST_SHIFT_MM = 0.1, 0.2  # joint uncertainty (k = 2) that is told as a caveat
MOST_OPEN_MM = 0.8  # at a fracture's end, without edges that go on across it


@dataclass(frozen=True)
class JointReport:
    """What a joint between two pieces (numbered from 1) is like.

    contact_mm : edge that touches; gap_mm, overlap_mm : the largest along the fracture
    angle_deg, shift_mm : expanded uncertainty (k = 2) of one piece's turn and place against the other
    """

    pieces: tuple[int, int]
    contact_mm: float
    gap_mm: float
    overlap_mm: float
    angle_deg: float
    shift_mm: float


def report_of(f: Fracture, result: Settled) -> JointReport:
    """Expanded uncertainties of piece j against piece i, the shift at the middle of j moved to the joint by neither."""
    i, j = (slice(3 * k, 3 * k + 3) for k in (f.i, f.j))
    c = result.covariance
    apart = c[i, i] + c[j, j] - c[i, j] - c[j, i]
    angle, x, y = 2 * np.sqrt(np.maximum(np.diag(apart), 0.0))
    k = f.contact
    return JointReport(
        (f.i + 1, f.j + 1), k.length_mm, k.gap_mm, k.overlap_mm, math.degrees(float(angle)), float(np.hypot(x, y))
    )


def opening(pieces: Sequence[Piece], result: Settled, end: End) -> float:
    """How far apart two edges end, mm, where nothing shows that one goes on as the other."""
    if end.fair:
        return 0.0
    last, first = (
        result.at[k].moved(pieces[k].path.points(np.array([s])))
        for k, s in ((end.before, end.leaves), (end.after, end.enters))
    )
    return float(np.linalg.norm(last - first))


def caveats_of(joints: Sequence[JointReport], plain: bool, open_mm: float, ways: int, way: int) -> tuple[Caveat, ...]:
    told = []
    if ways > 1:
        told.append(
            Caveat(
                f"the pieces fit together in {ways} ways that are about as good, and this is number {way}",
                "look at the picture; --way shows another",
            )
        )
    elif plain:
        told.append(
            Caveat(
                "a fracture is so plain that only the edges going on across it tell how the pieces lie",
                "lay the pieces together and compare them with the picture",
            )
        )
    angle, shift = max(j.angle_deg for j in joints), max(j.shift_mm for j in joints)
    if angle > MOST_ANGLE_DEG or shift > MOST_SHIFT_MM:
        told.append(
            Caveat(
                f"a joint is uncertain by {angle:.2f}° and {shift:.2f} mm (k = 2; limits {MOST_ANGLE_DEG:g}° and "
                f"{MOST_SHIFT_MM:g} mm)",
                "hold a straightedge along the rebuilt edge, or trace the pieces from nearer",
            )
        )
    if open_mm > MOST_OPEN_MM:
        told.append(
            Caveat(
                f"at an end of a fracture {open_mm:.1f} mm of edge are missing and nothing shows how it ran (limit "
                f"{MOST_OPEN_MM:g} mm)",
                "look at the dashed stretch there in the picture, and heal it by hand if need be",
            )
        )
    overlap = max(j.overlap_mm for j in joints)
    if overlap > MOST_OVERLAP_MM:
        told.append(
            Caveat(
                f"along a fracture the pieces overlap by up to {overlap:.1f} mm (limit {MOST_OVERLAP_MM:g} mm)",
                "clean loose fibres off the fracture and trace again",
            )
        )
    return tuple(told)
