"""A part's pattern: its outline, how it was measured and how well; also its versioned JSON form.

The class is the file: ``Pattern.model_dump_json()`` writes a ``.pattern.json`` and ``Pattern.model_validate_json()``
reads it back bit for bit. Nothing else is needed to draw the part again. A file of an older version is brought up to
this one by ``migrated`` before it is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

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


@dataclass(frozen=True)
class Fit:
    """How well an outline follows the edge points it was fitted to, and how fair it is.

    rms_mm, largest_mm : distances from the points to the outline, points near corners left out
    points : edge points that err independently of each other
    pieces, curvature_extrema : how many
    tangent_break_deg : largest turn at a joint that is meant to be smooth

    All but ``rms_mm`` are None in a pattern of version 1.
    """

    rms_mm: float
    largest_mm: float | None
    points: int | None
    pieces: int | None
    curvature_extrema: int | None
    tangent_break_deg: float | None


@dataclass(frozen=True)
class Stretch:
    """A stretch of an outline: from ``start_mm`` to ``end_mm`` along the loop (0 is the outer one), its way."""

    loop: int
    start_mm: float
    end_mm: float


@dataclass(frozen=True)
class Step:
    """Something done to a pattern after it was measured, with what it takes to do it again."""

    what: str
    values: dict[str, float | str]


class Measurement(BaseModel):
    """How a pattern was measured from a photo.

    edge_height_mm : height of the outline-making edge, None where that is the upper arris of square edges
    eased_mm : how far that arris had been taken off
    """

    model_config = _FORM

    photo: str
    camera: str
    sheets: tuple[SheetSeen, ...]
    print_scale: tuple[float, float]
    lens: str
    edge_height_mm: float | None
    eased_mm: float = 0.0
    reprojection_rms_px: float = Field(ge=0)
    camera_height_mm: float = Field(gt=0)
    tilt_deg: float = Field(ge=0)
    mm_per_px: float = Field(gt=0)
    uncertainty: tuple[Contribution, ...]


class Pattern(BaseModel):
    """A part that can be cut again.

    thickness_mm : of the part, as the user gave it; None where nobody said
    outline : mm, in the pattern's own frame
    measured, fit : None for an outline that was drawn, not measured
    caveats : what to know about it
    grain_deg : direction of the fibres, counter-clockwise from the x axis, 0 .. 180; None where it does not matter
    notes, stock, tags : the shop's own words
    invented : stretches that no edge was measured for
    steps : what was done to it, in order
    """

    model_config = _FORM

    kind: Literal["digitize pattern"] = "digitize pattern"
    version: Literal[2] = 2
    name: str = Field(min_length=1)
    created: AwareDatetime
    thickness_mm: float | None = Field(gt=0, le=THICKEST_MM)
    outline: Outline
    measured: Measurement | None = None
    fit: Fit | None = None
    caveats: tuple[Caveat, ...] = ()
    grain_deg: float | None = Field(default=None, ge=0, lt=180)
    notes: str = ""
    stock: str = ""
    tags: tuple[str, ...] = ()
    invented: tuple[Stretch, ...] = ()
    steps: tuple[Step, ...] = ()

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the outline, mm."""
        x0, y0, x1, y1 = self.outline.bounds()
        return x1 - x0, y1 - y0

    @property
    def uncertainty(self) -> float | None:
        """Expanded uncertainty (k = 2) of the larger of width and height, mm; None if nothing was measured."""
        return size_uncertainty(self.measured.uncertainty, max(self.size)) if self.measured else None

    @property
    def edge_uncertainty(self) -> float:
        """Expanded uncertainty (k = 2) of the place of an edge, mm; 0 for an outline that was drawn."""
        causes = self.measured.uncertainty if self.measured else ()
        return COVERAGE_FACTOR * math.sqrt(math.fsum(c.edge_mm**2 for c in causes))


def migrated(content: dict[str, Any]) -> dict[str, Any]:
    """A pattern file's content as the present version writes it; what is damaged is left for the validation to tell."""
    measured = content.get("measured")
    if content.get("version") != 1:
        return content
    content = {**content, "version": 2}
    if isinstance(measured, dict) and "fit_rms_mm" in measured:  # it stood there, alone, in version 1
        unknown = dict.fromkeys(("largest_mm", "points", "pieces", "curvature_extrema", "tangent_break_deg"))
        content["fit"] = {"rms_mm": measured["fit_rms_mm"], **unknown}
        content["measured"] = {k: v for k, v in measured.items() if k != "fit_rms_mm"}
    return content
