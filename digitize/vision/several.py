"""Several photos of one undisturbed bench: the outline measured in each and combined by its sigmas."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import cv2
import numpy as np

from digitize.model.camera import focal_from_35mm
from digitize.model.errors import Caveat, DigitizeError
from digitize.model.outline import Contour
from digitize.vision.agreement import check_source
from digitize.vision.checkerboard import find_sheets
from digitize.vision.combine import Floats, apart, combined
from digitize.vision.evidence import judge_edge
from digitize.vision.mask import PartMask, choose_parts, find_parts
from digitize.vision.mottle import check_paper, mottle
from digitize.vision.photo import Photo
from digitize.vision.polyline import outward
from digitize.vision.quality import judge, judge_photo
from digitize.vision.stroke import edges_near
from digitize.vision.thickness import Heights
from digitize.vision.trace import PHONE_35MM, Progress, Setup, Traced, concluded, contours_of
from digitize.vision.view import View
from digitize.vision.views import Seen, solve_views

FRAME_PX = 12.0  # nearer to the photo's border an outline is not all in view
FACE_PX, WALL_PX = 0.05, 0.15  # what shading and blur leave in the place of an upper arris, and of a foot
WALL_SEEN_PX = 0.7  # a wall narrower than this does not count as one
MOVED_MM = 0.25  # by more a part lies differently in two photos
REST_PX = 0.5  # and more than this of an outline's difference that no move explains


class Look(NamedTuple):
    """What one photo shows of the parts.

    parts : for each part its contours; doubt_px : what is poor about the photo adds so much to the place of its edges
    """

    view: View
    parts: tuple[tuple[Contour, ...], ...]
    doubt_px: float


def trace_photos(photos: Sequence[Photo], setup: Setup, progress: Progress) -> Traced:
    """Sheets and views of all photos, the part in the one taken most nearly from above, its edges in every one.

    Raises
    ------
    SheetError, PartError, PhotoError, with what was measured and what to do about it
    """
    views, caveats = _views(photos, setup, progress)
    progress("finding the part", 0.4)
    order = sorted(range(len(views)), key=lambda k: views[k].tilt)
    first, masks = _where_seen(photos, views, setup, [0] if isinstance(setup.part, tuple) else order)
    photo, view, heights = photos[first], views[first], setup.heights
    progress("following the edge", 0.5)
    parts = tuple(contours_of(photo, view, mask, heights) for mask in masks)
    pixel = view.mm_per_px(parts[0][0].points.mean(axis=0), heights.top)
    poor = judge(photo, view, masks) + judge_edge([contour for part in parts for contour in part], pixel)
    looks, caveats = [Look(view, parts, _doubt(poor))], caveats + poor
    for k in (k for k in order if k != first):
        progress(f"following the edge in {photos[k].name}", 0.5 + 0.35 * len(looks) / len(photos))
        look, told = _again(photos[k], views[k], parts, heights, pixel)
        looks += [look] if look else []
        caveats += told
    merged = tuple(_merged(looks, k, heights, pixel) for k in range(len(parts)))
    found = concluded(photo, view, merged, setup, tuple(dict.fromkeys(caveats)))
    return replace(found, photos=len(looks), reference=first)


def _where_seen(
    photos: Sequence[Photo], views: Sequence[View], setup: Setup, order: Sequence[int]
) -> tuple[int, tuple[PartMask, ...]]:
    """The first photo that shows the parts whole, and their masks in it; raises what the first one raised if none."""
    failed: list[DigitizeError] = []
    for k in order:
        try:
            return k, choose_parts(find_parts(photos[k], views[k]), setup.part)
        except DigitizeError as error:
            failed.append(error)
    raise failed[0]


def _doubt(caveats: Sequence[Caveat]) -> float:
    return math.hypot(*(c.edge_px for c in caveats))


def _views(photos: Sequence[Photo], setup: Setup, progress: Progress) -> tuple[tuple[View, ...], tuple[Caveat, ...]]:
    seen: list[Seen] = []
    caveats: tuple[Caveat, ...] = ()
    for k, photo in enumerate(photos):
        judge_photo(photo)
        progress(f"finding the sheets in {photo.name}", 0.3 * k / len(photos))
        grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        sightings = find_sheets(grey, setup.board, setup.print_scale)
        focal = focal_from_35mm(photo.focal_35mm or PHONE_35MM, photo.size)
        kind = (photo.camera, photo.focal_35mm, photo.size, photo.turns)
        seen.append(Seen(photo.name, sightings, photo.size, focal, kind))
        caveats += check_paper(mottle(photo.pixels, sightings))
        if setup.lens:
            caveats += check_source(setup.lens, photo.camera, photo.focal_35mm)
    progress("solving all views together", 0.32)
    views, told = solve_views(seen, setup.lens)
    return views, told + caveats


def _again(
    photo: Photo, view: View, parts: Sequence[Sequence[Contour]], heights: Heights, pixel: float
) -> tuple[Look | None, tuple[Caveat, ...]]:
    """The same parts in another photo, or None and why."""
    loops = [[c.points for c in part] for part in parts]
    border = view.image_from_bench(np.vstack([p for part in loops for p in part]), heights.top)
    if (border < FRAME_PX).any() or (border > np.array(photo.size) - 1 - FRAME_PX).any():
        told = f"the part is not all in view in “{photo.name}”, which served for the sheets only"
        return None, (Caveat(told, "hold the camera so that all of the part is in view"),)
    found = []
    try:
        poor = judge(photo, view)
        for known in loops:
            found.append(edges_near(photo, view, known, heights))
            poor += judge_edge(found[-1], view.mm_per_px(known[0].mean(axis=0), heights.top))
    except (DigitizeError, ValueError) as error:  # a contour with hardly any points is no contour
        reason = error.problem if isinstance(error, DigitizeError) else "an edge of the part cannot be followed"
        told = f"“{photo.name}” served for the sheets only, since {reason}"
        return None, (Caveat(told, "take it again, sharp and in even light"),)
    for part, contours in zip(parts, found, strict=True):
        disagreement = _disagreement(photo.name, part, contours, pixel)
        if disagreement:
            return None, (disagreement,)
    told_of = tuple(Caveat(f"“{photo.name}” counts less, since {c.problem}", c.remedy) for c in poor if c.edge_px)
    return Look(view, tuple(found), _doubt(poor)), told_of


def _disagreement(name: str, part: Sequence[Contour], other: Sequence[Contour], pixel: float) -> Caveat | None:
    """What to say where another photo shows the part elsewhere or otherwise."""
    off = apart(part[0], other[0], 4 * pixel)
    if off.largest > MOVED_MM:
        size = "far" if math.isinf(off.largest) else f"{off.largest:.2f} mm"
        return Caveat(
            f"in “{name}” the part lies {size} off (limit {MOVED_MM:.2f} mm), and that photo was left out: it was "
            "moved between the photos, or its thickness is not what was told",
            "measure the thickness again, and photograph without touching bench, sheets or part",
        )
    if off.rest > REST_PX * pixel:
        told = f"in “{name}” the outline differs by {off.rest:.2f} mm (limit {REST_PX * pixel:.2f} mm)"
        return Caveat(f"{told}, and that photo was left out", "take it again with more even light")
    return None


def _merged(looks: Sequence[Look], part: int, heights: Heights, pixel: float) -> tuple[Contour, ...]:
    """One part's loops from all photos."""
    if len(looks) == 1:
        return looks[0].parts[part]
    loops = []
    for k in range(len(looks[0].parts[part])):
        each = [look.parts[part][k] for look in looks]
        loops.append(combined(each, [_places(c, x, heights) for c, x in zip(each, looks, strict=True)], 2 * pixel))
    return tuple(loops)


def _places(contour: Contour, look: Look, heights: Heights) -> Floats:
    """Standard error (n,), mm, of each point's place beyond its noise: larger where the photo shows the wall's foot."""
    view, n = look.view, len(contour.points)
    pixel = view.mm_per_px(contour.points.mean(axis=0), heights.top)
    own = np.full(n, FACE_PX)
    if heights.foot is not None:
        aside = view.centre[:2] - contour.points
        wall = (outward(contour.points, 4) * aside).sum(axis=1) / view.height * (heights.top - heights.foot)
        own = np.where(wall > WALL_SEEN_PX * pixel, WALL_PX, FACE_PX)
    return np.asarray(np.hypot(own, look.doubt_px) * pixel)
