"""This floor in one function: from a photo to the true contours of its parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from digitize.model.camera import LensProfile, focal_from_35mm
from digitize.model.errors import Caveat
from digitize.model.outline import Contour
from digitize.model.sheet import Sheet
from digitize.vision.agreement import check_source
from digitize.vision.budget import Budget, Known, budget
from digitize.vision.checkerboard import find_sheets
from digitize.vision.easing import judge_sharpness
from digitize.vision.evidence import judge_edge
from digitize.vision.follow import follow, palette
from digitize.vision.locate import locate
from digitize.vision.mask import PartMask, Which, choose_parts, find_parts
from digitize.vision.mottle import check_paper, mottle
from digitize.vision.photo import Photo
from digitize.vision.polyline import resampled
from digitize.vision.quality import judge, judge_photo
from digitize.vision.thickness import Heights, true_outline
from digitize.vision.view import View, solve_view

Progress = Callable[[str, float], None]

PHONE_35MM = 26.0  # a phone's main camera, where the photo does not say: common practice
BORDER_PX = 2.0  # node spacing on a mask's border


@dataclass(frozen=True)
class Setup:
    """What the person at the bench tells.

    thickness : mm
    edge_height : mm, of an outline-making edge that is not the upper arris; then there is no wall rule
    board : the plain board that was used; None for coded sheets
    print_scale : printed over nominal size, across and down; ``scale_measured`` tells that somebody measured it
    lens : profile of the camera's lens
    part : "largest", "all", or a point (x, y) px of the upright photo
    eased : mm, how far the upper arris has been taken off
    """

    thickness: float
    edge_height: float | None = None
    board: Sheet | None = None
    print_scale: tuple[float, float] = (1.0, 1.0)
    scale_measured: bool = False
    lens: LensProfile | None = None
    part: Which = "largest"
    eased: float = 0.0

    @property
    def heights(self) -> Heights:
        return Heights.of(self.thickness, self.edge_height, self.eased)


@dataclass(frozen=True)
class Traced:
    """What the photo shows.

    parts : for each part its contours, the outer one first, then holes; bench mm at true size
    mm_per_px : at the largest part
    photos, reference : how many photos the edge was measured in, and which of those given ``view`` is of
    """

    view: View
    parts: tuple[tuple[Contour, ...], ...]
    mm_per_px: float
    budget: Budget
    caveats: tuple[Caveat, ...]
    photos: int = 1
    reference: int = 0


def trace_photo(photo: Photo, setup: Setup, progress: Progress) -> Traced:
    """Sheets, view, masks, edges: the true contours of the chosen parts.

    Raises
    ------
    SheetError, PartError, PhotoError, with what was measured and what to do about it
    """
    heights = setup.heights
    judge_photo(photo)
    progress("finding the sheets", 0.05)
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    sightings = find_sheets(grey, setup.board, setup.print_scale)
    progress("solving the view", 0.25)
    focal = focal_from_35mm(photo.focal_35mm or PHONE_35MM, photo.size)
    view, caveats = solve_view(sightings, photo.size, focal, lens=setup.lens)
    if setup.lens:
        caveats += check_source(setup.lens, photo.camera, photo.focal_35mm)
    caveats += check_paper(mottle(photo.pixels, sightings))
    progress("finding the part", 0.35)
    masks = choose_parts(find_parts(photo, view), setup.part)
    caveats += judge(photo, view, masks)
    progress("following the edge", 0.6)
    parts = tuple(contours_of(photo, view, mask, heights) for mask in masks)
    pixel = view.mm_per_px(parts[0][0].points.mean(axis=0), heights.top)
    caveats += judge_edge([contour for part in parts for contour in part], pixel)
    return concluded(photo, view, parts, setup, caveats)


def concluded(
    photo: Photo, view: View, parts: tuple[tuple[Contour, ...], ...], setup: Setup, caveats: tuple[Caveat, ...]
) -> Traced:
    """What is left to tell of contours that lie in a photo: whether their arris is sharp, and how sure they are."""
    heights = setup.heights
    pixel = view.mm_per_px(parts[0][0].points.mean(axis=0), heights.top)
    if setup.eased == 0 and setup.edge_height is None:
        largest = max(parts, key=lambda part: part[0].area)
        caveats += judge_sharpness(view, photo.pixels, largest, heights)
    known = Known(heights.top, setup.scale_measured, setup.lens is not None)
    return Traced(view, parts, pixel, budget(view, parts, known, caveats), caveats)


def contours_of(photo: Photo, view: View, mask: PartMask, heights: Heights) -> tuple[Contour, ...]:
    """The loops of the part that a mask shows roughly."""
    own = palette(photo.pixels, mask.image, mask.scale)
    rough = true_outline(view, [resampled(c, BORDER_PX) for c in mask.contours], heights)
    followed = [follow(view, photo.pixels, loop, heights, own) for loop in rough]
    return locate(view, photo.pixels, followed, heights)
