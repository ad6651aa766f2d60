"""The whole flow on one page: photo and sheets -> true contours -> fitted outlines -> patterns in the wanted frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

import numpy as np

from digitize.fitting.chain import FitQuality, fit_outline
from digitize.formats.png import Overlay, overlay_png
from digitize.model.errors import Caveat, InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Fit, Measurement, Pattern, SheetSeen
from digitize.vision.photo import Photo
from digitize.vision.trace import Progress, Setup, Traced, trace_photo


class Frame(StrEnum):
    """Where a pattern's origin and axes lie: the part's own, or the bench's as photographed."""

    PART = "part"
    BENCH = "bench"


@dataclass(frozen=True)
class Tracing:
    """What one photo gave.

    patterns : one for each part, in one common frame, so that their places to each other are kept
    outlines, qualities : the same parts as they lie on the bench, and how well their curves fit
    """

    photo: Photo
    setup: Setup
    traced: Traced
    outlines: tuple[Outline, ...]
    qualities: tuple[FitQuality, ...]
    patterns: tuple[Pattern, ...]

    @property
    def largest(self) -> Pattern:
        return max(self.patterns, key=lambda p: p.outline.outer.area)


def trace(
    photos: Sequence[Photo],
    setup: Setup,
    fair: float | None,
    frame: Frame,
    name: str,
    when: datetime,
    progress: Progress,
) -> Tracing:
    """Trace the parts in a photo.

    fair : mm, how far the outline may leave the edge points to come out smooth; None follows their noise
    frame : PART lays the largest part level and all at the origin, BENCH leaves all as it lies on the bench
    name, when : written into the patterns
    progress : told the step and how much of the whole is done, 0 .. 1
    """
    photo = _only(photos)
    traced = trace_photo(photo, setup, progress)
    progress("fitting the outline", 0.9)
    fits = [fit_outline(part, fair) for part in traced.parts]
    outlines, qualities = tuple(o for o, _ in fits), tuple(q for _, q in fits)
    traced = replace(traced, caveats=(*traced.caveats, *_unfair(qualities)))
    placed = level(outlines) if frame == Frame.PART else outlines
    measured = _measurement(photo, setup, traced)
    patterns = tuple(
        Pattern(
            name=n,
            created=when,
            thickness_mm=setup.thickness,
            outline=outline,
            measured=measured,
            fit=_fit(quality, sum(len(contour.points) for contour in part)),
            caveats=traced.caveats,
        )
        for n, outline, quality, part in zip(_names(name, len(placed)), placed, qualities, traced.parts, strict=True)
    )
    progress("done", 1.0)
    return Tracing(photo, setup, traced, outlines, qualities, patterns)


def level(outlines: Sequence[Outline]) -> tuple[Outline, ...]:
    """All turned together until the longest straight edge of the largest is level, then moved to the origin.

    Of the two ways to be level the nearer is taken, so that what lay at the top of the photo stays at the top.
    """
    largest = max(outlines, key=lambda o: o.outer.area)
    turn = -math.remainder(largest.longest_edge_angle(), math.pi)
    turned = [o.moved(turn, (0.0, 0.0)) for o in outlines]
    corner = np.array([o.bounds()[:2] for o in turned]).min(axis=0)
    return tuple(o.moved(0.0, -corner) for o in turned)


def picture(tracing: Tracing, caption: Sequence[str]) -> bytes:
    """PNG of the outlines drawn on the photo, over the caption."""
    names = [p.name for p in tracing.patterns]
    return overlay_png(
        tracing.photo, tracing.traced.view, Overlay(tracing.outlines, names, tracing.setup.heights.top, caption)
    )


def _only(photos: Sequence[Photo]) -> Photo:
    if len(photos) != 1:
        raise InputError(f"{len(photos)} photos were given and one is traced at a time", "name one photo")
    return photos[0]


def _unfair(qualities: Sequence[FitQuality]) -> tuple[Caveat, ...]:
    """Tells of loops whose pieces are simply joined."""
    loops = sum(q.unfair_loops for q in qualities)
    if not loops:
        return ()
    problem = f"{loops} edge{'s' if loops > 1 else ''} could not be followed by smooth curves and may show small steps"
    return (Caveat(problem, "fair the outline to a larger tolerance (--fair), or take the photo again"),)


def _names(name: str, parts: int) -> list[str]:
    return [name] if parts == 1 else [f"{name}-{i}" for i in range(1, parts + 1)]


def _fit(quality: FitQuality, points: int) -> Fit:
    q = quality
    return Fit(q.rms_mm, q.max_mm, points, q.pieces, q.curvature_extrema, q.tangent_break_deg)


def _measurement(photo: Photo, setup: Setup, traced: Traced) -> Measurement:
    view = traced.view
    return Measurement(
        photo=photo.name,
        camera=photo.camera,
        sheets=tuple(SheetSeen(s.sheet.number, len(s.ids)) for s in view.sightings),
        print_scale=setup.print_scale,
        lens=setup.lens.name if setup.lens else "",
        edge_height_mm=setup.edge_height,
        reprojection_rms_px=view.rms_px,
        camera_height_mm=view.height,
        tilt_deg=math.degrees(view.tilt),
        mm_per_px=traced.mm_per_px,
        uncertainty=traced.uncertainty,
    )
