"""The whole flow on one page: photo and sheets -> true contours -> fitted outlines -> patterns in the wanted frame."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from functools import cached_property

import numpy as np

from digitize.compare.compare import Comparison, How, compare
from digitize.compare.placement import Placement
from digitize.fitting.chain import FitQuality, fit_outline
from digitize.fitting.tips import ended
from digitize.formats.png import Band, Overlay, overlay_png
from digitize.meaning.meanings import Kind, Meaning
from digitize.meaning.pattern import drawn_as_meant, meanings_of
from digitize.model.errors import Caveat
from digitize.model.outline import Contour, Outline, TipEnd
from digitize.model.pattern import Fit, Measurement, Pattern, SheetSeen
from digitize.model.segment import as_point
from digitize.model.sheet import Sheet
from digitize.vision.figure import Figure, wood_figure
from digitize.vision.lens import Calibration, calibrate, take
from digitize.vision.photo import Photo
from digitize.vision.several import trace_photos
from digitize.vision.tipend import tip_ends
from digitize.vision.trace import Progress, Setup, Traced, trace_photo


class Frame(StrEnum):
    """Where a pattern's origin and axes lie: the part's own, or the bench's as photographed."""

    PART = "part"
    BENCH = "bench"


@dataclass(frozen=True)
class Tracing:
    """What the photos gave; ``photo`` is the one that ``traced.view`` is of.

    patterns : one for each part, in one common frame, so that their places to each other are kept
    outlines, qualities : the same parts as they lie on the bench, and how well their curves fit
    meanings : what each pattern seemed to mean, as measured
    laid : from the bench to the patterns' frame
    """

    photo: Photo
    setup: Setup
    traced: Traced
    outlines: tuple[Outline, ...]
    qualities: tuple[FitQuality, ...]
    patterns: tuple[Pattern, ...]
    meanings: tuple[tuple[Meaning, ...], ...]
    laid: Placement

    @property
    def largest(self) -> Pattern:
        return max(self.patterns, key=lambda p: p.outline.outer.area)

    @cached_property
    def figure(self) -> Figure | None:
        """The grain of the largest part as the photo shows it, in its pattern's frame; None where it shows none."""
        largest = max(self.outlines, key=lambda o: o.outer.area)
        seen = wood_figure(self.photo, self.traced.view, largest, self.setup.heights.top)
        return seen and replace(seen, direction=(seen.direction + self.laid.turn) % math.pi)


def trace(
    photos: Sequence[Photo],
    setup: Setup,
    fair: float | None,
    frame: Frame,
    meant: frozenset[Kind],
    name: str,
    when: datetime,
    progress: Progress,
) -> Tracing:
    """Trace the parts in a photo, or in several photos of the same bench.

    fair : mm, how far the outline may leave the edge points to come out smooth; None follows their noise
    frame : PART lays the largest part level and all at the origin, BENCH leaves all as it lies on the bench
    meant : kinds of meaning to be drawn exactly
    name, when : written into the patterns
    progress : told the step and how much of the whole is done, 0 .. 1
    """
    traced = trace_photo(photos[0], setup, progress) if len(photos) == 1 else trace_photos(photos, setup, progress)
    photo = photos[traced.reference]
    progress("fitting the outline", 0.9)
    fits = [_fitted(photo, traced, part, setup, fair) for part in traced.parts]
    outlines, qualities = tuple(o for o, _, _ in fits), tuple(q for _, q, _ in fits)
    laid = leveling(outlines) if frame == Frame.PART else Placement(0.0, (0.0, 0.0))
    more = (*_unfair(qualities), *_cut_tips([end for _, _, ends in fits for end in ends], laid))
    traced = replace(traced, caveats=(*traced.caveats, *more))
    placed = [o.moved(laid.turn, laid.shift) for o in outlines]
    measured = _measurement(photos, setup, traced)
    patterns = tuple(
        Pattern(
            name=n,
            created=when,
            thickness_mm=setup.thickness,
            outline=outline,
            measured=measured,
            fit=_fit(quality),
            caveats=traced.caveats,
        )
        for n, outline, quality in zip(_names(name, len(placed)), placed, qualities, strict=True)
    )
    meanings = tuple(meanings_of(pattern) for pattern in patterns)
    if meant:
        patterns = tuple(drawn_as_meant(pattern, meant) for pattern in patterns)
    progress("done", 1.0)
    return Tracing(photo, setup, traced, outlines, qualities, patterns, meanings, laid)


def _fitted(
    photo: Photo, traced: Traced, part: Sequence[Contour], setup: Setup, fair: float | None
) -> tuple[Outline, FitQuality, list[TipEnd]]:
    """The outline of one part, its thin tips as the photo shows them to end, which is told as well."""
    outline, quality = fit_outline(part, fair)
    ends = tip_ends(photo.pixels, traced.view, outline, part, setup.heights)
    return *ended(outline, quality, ends), ends


def leveling(outlines: Sequence[Outline]) -> Placement:
    """What turns all together until the longest straight edge of the largest is level, then moves them to the origin.

    Of the two ways to be level the nearer is taken, so that what lay at the top of the photo stays at the top.
    """
    largest = max(outlines, key=lambda o: o.outer.area)
    turn = -math.remainder(largest.longest_edge_angle(), math.pi)
    corner = np.array([o.moved(turn, (0.0, 0.0)).bounds()[:2] for o in outlines]).min(axis=0)
    return Placement(turn, as_point(-corner))


def level(outlines: Sequence[Outline]) -> tuple[Outline, ...]:
    """All laid level."""
    laid = leveling(outlines)
    return tuple(o.moved(laid.turn, laid.shift) for o in outlines)


def picture(tracing: Tracing, caption: Sequence[str]) -> bytes:
    """PNG of the outlines drawn on the photo, over the caption."""
    names, traced = [p.name for p in tracing.patterns], tracing.traced
    pairs = [zip(*part, strict=True) for part in zip(traced.parts, traced.budget.bands, strict=True)]
    bands = [Band(contour.points, half) for part in pairs for contour, half in part]
    overlay = Overlay(tracing.outlines, bands, names, tracing.setup.heights.top, caption)
    return overlay_png(tracing.photo, traced.view, overlay)


def calibrate_lens(
    photos: Iterable[Photo],
    count: int,
    board: Sheet | None,
    scale: tuple[float, float],
    name: str,
    progress: Progress,
) -> Calibration:
    """The lens of ``count`` photos, which are looked at one by one.

    board : the plain board that they show; None for coded sheets, whose print scale is ``scale``
    """
    shots = []
    for k, photo in enumerate(photos):
        shots.append(take(photo, board, scale))
        progress(f"finding the sheets in {photo.name}", 0.9 * (k + 1) / count)
    progress("solving for the lens", 0.9)
    found = calibrate(shots, name)
    progress("done", 1.0)
    return found


def compare_parts(parts: Sequence[Pattern], master: Pattern, how: How) -> tuple[Comparison, ...]:
    """Each part placed on the master, measured along it and judged."""
    return tuple(compare(part, master, how) for part in parts)


def _unfair(qualities: Sequence[FitQuality]) -> tuple[Caveat, ...]:
    """Tells of loops whose pieces are simply joined."""
    loops = sum(q.unfair_loops for q in qualities)
    if not loops:
        return ()
    problem = f"{loops} edge{'s' if loops > 1 else ''} could not be followed by smooth curves and may show small steps"
    return (Caveat(problem, "fair the outline to a larger tolerance (--fair), or take the photo again"),)


def _cut_tips(ends: Sequence[TipEnd], laid: Placement) -> tuple[Caveat, ...]:
    """Tells of thin tips that end before their flanks meet, by their places in the patterns' frame."""
    corners = [(laid.of(np.array([end.corner]))[0], end.cut) for end in ends if end.cut > 0]
    if not corners:
        return ()
    places = " and ".join(f"{cut:.1f} mm before ({x:.1f}, {y:.1f})" for (x, y), cut in corners)
    what = "a thin tip ends" if len(corners) == 1 else f"{len(corners)} thin tips end"
    problem = f"{what} {places}, where the flanks would meet, and {'is' if len(corners) == 1 else 'are'} drawn so"
    return (Caveat(problem, "if it is chipped or worn, digitize heal makes it whole"),)


def _names(name: str, parts: int) -> list[str]:
    return [name] if parts == 1 else [f"{name}-{i}" for i in range(1, parts + 1)]


def _fit(quality: FitQuality) -> Fit:
    q = quality
    return Fit(q.rms_mm, q.max_mm, q.points, q.pieces, q.curvature_extrema, q.tangent_break_deg)


def _measurement(photos: Sequence[Photo], setup: Setup, traced: Traced) -> Measurement:
    view = traced.view
    return Measurement(
        photo=", ".join(photo.name for photo in photos),
        camera=photos[traced.reference].camera,
        sheets=tuple(SheetSeen(s.sheet.number, len(s.ids)) for s in view.sightings),
        print_scale=setup.print_scale,
        lens=setup.lens.name if setup.lens else "",
        edge_height_mm=setup.edge_height,
        eased_mm=setup.eased,
        reprojection_rms_px=view.rms_px,
        camera_height_mm=view.height,
        tilt_deg=math.degrees(view.tilt),
        mm_per_px=traced.mm_per_px,
        uncertainty=traced.budget.contributions,
    )
