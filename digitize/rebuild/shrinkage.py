"""What a part has shrunk across the grain since it was made, undone.

Wood shrinks below fibre saturation in proportion to the moisture it loses (USDA Wood Handbook, ch. 13; from memory):
a width D changes by D S / 30 for every percent, S being the shrinkage from green to oven-dry. Along the grain it hardly
does. S: USDA Wood Handbook, table 4-3, radial and tangential, percent; sugar maple and northern red oak from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.rebuild.affine import stretch_matrix, transformed

SATURATION = 30.0  # percent of moisture: above it wood does not move
SPECIES = {  # radial, tangential
    "red alder": (4.4, 7.3),
    "white ash": (4.9, 7.8),
    "basswood": (6.6, 9.3),
    "beech": (5.5, 11.9),
    "yellow birch": (7.3, 9.5),
    "cherry": (3.7, 7.1),
    "elm": (4.2, 9.5),
    "hard maple": (4.8, 9.9),
    "red oak": (4.0, 8.6),
    "white oak": (5.6, 10.5),
    "black walnut": (5.5, 7.8),
    "sycamore": (5.0, 8.4),
    "sweetgum": (5.3, 10.2),
    "yellow-poplar": (4.6, 8.2),
    "douglas-fir": (4.8, 7.6),
    "red cedar": (2.4, 5.0),
}
RINGS = {"tangential": 0.0, "rift": 45.0, "radial": 90.0}  # degrees from the face to the rings
MOISTURE = (0.0, 200.0)
MOST_PERCENT = 20.0


@dataclass(frozen=True)
class Swollen:
    """The outline as it was, by how much its width across the grain was multiplied, and how far an edge moved, mm."""

    outline: Outline
    scale: float
    moved_mm: float


def coefficient(species: str, rings_deg: float) -> float:
    """Shrinkage (percent, green to oven-dry) in the face, whose angle to the rings is given: 0 is flat-sawn.

    Between tangential and radial it goes with the squares of cosine and sine (strain in a turned direction).

    Raises InputError for a species that is not in the table.
    """
    if species.strip().lower() not in SPECIES:
        raise InputError(
            f"“{species}” is not in the table of shrinkage", f"give --percent, or one of: {', '.join(SPECIES)}"
        )
    radial, tangential = SPECIES[species.strip().lower()]
    c, s = math.cos(math.radians(rings_deg)) ** 2, math.sin(math.radians(rings_deg)) ** 2
    return tangential * c + radial * s


def change(width: float, percent: float, moisture_then: float, moisture_now: float) -> float:
    """By how much a width (mm) was larger at another moisture (percent); ``percent`` is green to oven-dry."""
    return width * percent / 100 / SATURATION * (min(moisture_then, SATURATION) - min(moisture_now, SATURATION))


def unshrunk(outline: Outline, grain_deg: float, scale: float) -> Swollen:
    """The outline stretched square to the grain about the middle of its box.

    Lines stay lines, splines stay splines; arcs become splines within affine.STRETCH_TOL_MM of the true ellipse.
    """
    x0, y0, x1, y1 = outline.bounds()
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    angle = math.radians(grain_deg)
    wider = transformed(outline, stretch_matrix(angle, 1.0, scale), middle)
    across = (outline.outer.flattened() - middle) @ np.array([-math.sin(angle), math.cos(angle)])
    return Swollen(wider, scale, abs(scale - 1) * float(np.abs(across).max()))
