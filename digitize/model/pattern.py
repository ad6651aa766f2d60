"""A part's pattern: its outline, how it was measured and how well; also its versioned JSON form.

The class is the file: ``Pattern.model_dump_json()`` writes a ``.pattern.json`` and ``Pattern.model_validate_json()``
reads it back bit for bit. Nothing else is needed to draw the part again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from digitize.model.errors import Caveat
from digitize.model.outline import Outline

COVERAGE_FACTOR = 2.0  # expanded uncertainty U = k u, about 95 % (JCGM 100:2008, 6.2; from memory)
THICKEST_MM = 200.0

_FORM = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


@dataclass(frozen=True)
class Contribution:
    """One cause of uncertainty, as standard uncertainties.

    size_ppm : of every length, parts per million of it
    edge_mm : of the place of each edge, independent from edge to edge
    """

    name: str
    size_ppm: float
    edge_mm: float


@dataclass(frozen=True)
class SheetSeen:
    """A sheet that was measured against; number is None for a plain board."""

    number: int | None
    grid_points: int


def size_uncertainty(contributions: tuple[Contribution, ...], size_mm: float) -> float:
    """Expanded uncertainty (k = 2), mm, of the distance ``size_mm`` between two opposite edges.

    Both edges err on their own, so an edge's share counts twice, in squares (JCGM 100:2008, 5.1.2; from memory).
    """
    variances = [(c.size_ppm * 1e-6 * size_mm) ** 2 + 2 * c.edge_mm**2 for c in contributions]
    return COVERAGE_FACTOR * math.sqrt(math.fsum(variances))


class Measurement(BaseModel):
    """How a pattern was measured from a photo.

    thickness_mm : of the part, as the user gave it
    edge_height_mm : height of the outline-making edge, None where that is the upper arris of square edges
    fit_rms_mm : root mean square distance of the edge points from the fitted outline
    """

    model_config = _FORM

    photo: str
    camera: str
    sheets: tuple[SheetSeen, ...]
    print_scale: tuple[float, float]
    lens: str
    edge_height_mm: float | None
    reprojection_rms_px: float = Field(ge=0)
    camera_height_mm: float = Field(gt=0)
    tilt_deg: float = Field(ge=0)
    mm_per_px: float = Field(gt=0)
    fit_rms_mm: float = Field(ge=0)
    uncertainty: tuple[Contribution, ...]


class Pattern(BaseModel):
    """A part that can be cut again.

    outline : mm, in the pattern's own frame
    measured : None for an outline that was drawn, not measured
    caveats : what to know about it
    """

    model_config = _FORM

    kind: Literal["digitize pattern"] = "digitize pattern"
    version: Literal[1] = 1
    name: str = Field(min_length=1)
    created: AwareDatetime
    thickness_mm: float = Field(gt=0, le=THICKEST_MM)
    outline: Outline
    measured: Measurement | None = None
    caveats: tuple[Caveat, ...] = ()

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the outline, mm."""
        x0, y0, x1, y1 = self.outline.bounds()
        return x1 - x0, y1 - y0

    @property
    def uncertainty(self) -> float | None:
        """Expanded uncertainty (k = 2) of the larger of width and height, mm; None if nothing was measured."""
        return size_uncertainty(self.measured.uncertainty, max(self.size)) if self.measured else None
