"""Conforms, does not conform, or not decided: a tolerance zone judged by deviations that have an uncertainty.

The zone is a profile of a line (ISO 1101, ISO 1660): half of it lies on either side of the master. The decision rule is
ISO 14253-1's: a guard band as wide as the expanded uncertainty U (k = 2) is taken off the zone to prove conformity, and
added to it to prove the contrary; between the two nothing is proven. (Both standards from secondary sources.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from digitize.compare.combine import Component
from digitize.compare.nearest import Floats
from digitize.model.errors import InputError
from digitize.model.pattern import COVERAGE_FACTOR
from digitize.vision.budget import FLATNESS, PLACE, PRINT, THICKNESS, VIEW, WARNINGS

REMEDIES = {  # what makes a cause of uncertainty smaller
    PRINT: "the sheets' check lines measured (--check-lines), or the very same sheets beside both (--same-sheets)",
    VIEW: "a lens profile, or a second sheet beside the part",
    THICKNESS: "the thickness measured with calipers",
    FLATNESS: "the sheets laid on something flat, the camera straight above the part",
    PLACE: "a closer or sharper photo",
    WARNINGS: "a photo without the warnings",
}


class Verdict(StrEnum):
    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    NOT_DECIDED = "not decided"


@dataclass(frozen=True)
class Decision:
    """The verdict and what it rests on.

    place : index of the station that decides, None where a whole loop does
    guard_band : mm, U there
    why : what the deviation at that place does, or what is amiss; a clause
    decides_it : empty where all is decided
    """

    verdict: Verdict
    zone: float
    place: int | None
    guard_band: float
    why: str
    decides_it: str = ""


def decide(deviation: Floats, expanded: Floats, zone: float, shares: Sequence[Component] = ()) -> Decision:
    """The verdict on deviations (N,) with expanded uncertainties (N,), mm, in a zone of full width ``zone`` mm.

    Raises
    ------
    InputError if half the zone is nowhere larger than the uncertainty and no place is beyond both
    """
    size, half = np.abs(deviation), zone / 2
    beyond = int(np.argmax(size - expanded))
    if size[beyond] - expanded[beyond] > half:
        return Decision(
            Verdict.DOES_NOT_CONFORM,
            zone,
            beyond,
            float(expanded[beyond]),
            f"is beyond ±{half:g} mm by more than the guard band of {expanded[beyond]:.3f} mm",
        )
    least, worst = float(expanded.min()), int(np.argmax(size + expanded))
    causes = _causes(shares, worst)
    if least >= half:
        raise InputError(
            f"No verdict is possible: the zone leaves ±{half:g} mm and the edges are known to "
            f"±{least:.3f} mm at best (k = 2)",
            f"ask for a zone above {2 * float(expanded.max()):.2g} mm, leave --zone out to see the deviations alone, "
            f"or get {_remedy(shares, worst)}",
        )
    band = float(expanded[worst])
    if size[worst] + band <= half:
        why = f"at worst is within ±{half:g} mm by more than the guard band of {band:.3f} mm"
        return Decision(Verdict.CONFORMS, zone, worst, band, why)
    why = f"lies nearer to the limit of ±{half:g} mm than the guard band of {band:.3f} mm"
    needed = abs(float(size[worst]) - half)
    remedy = f"{_remedy(shares, worst)}, or calipers at that place"
    decides_it = f"an uncertainty below {_floor(needed)} mm there (k = 2): {remedy}"
    return Decision(Verdict.NOT_DECIDED, zone, worst, band, why + causes, decides_it)


def _floor(mm: float) -> str:
    """Never told larger than it is."""
    return f"{math.floor(mm * 1000) / 1000:.3f}"


def largest(shares: Sequence[Component], place: int, most: int = 2) -> list[tuple[str, float]]:
    """The largest causes at a place, each with its expanded uncertainty, mm."""
    found = [(s.name, COVERAGE_FACTOR * float(np.atleast_1d(s.uncertainty)[place])) for s in shares]
    return sorted(found, key=lambda f: -f[1])[:most]


def _causes(shares: Sequence[Component], place: int) -> str:
    names = [f"{name} {u:.3f} mm" for name, u in largest(shares, place) if u > 0]
    return f", most of it from {' and '.join(names)}" if names else ""


def _remedy(shares: Sequence[Component], place: int) -> str:
    for name, _ in largest(shares, place, len(shares)):
        for cause, remedy in REMEDIES.items():
            if name.startswith(cause):
                return remedy
    return "a closer photo, or a second sheet beside the part"
