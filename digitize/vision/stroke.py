"""Edges of a part that is known roughly, from another photo or a hand: the edge points nearest to its loops."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from digitize.model.outline import Contour
from digitize.model.segment import Points
from digitize.vision.follow import follow, palette
from digitize.vision.locate import locate
from digitize.vision.photo import Photo
from digitize.vision.thickness import Heights
from digitize.vision.view import View

FINE_BITS = 4  # of a pixel, in the polygons that the part's colour is taken from
LONG_SIDE_PX = 1000  # of the picture that is filled for it


def edges_near(photo: Photo, view: View, loops: Sequence[Points], heights: Heights) -> tuple[Contour, ...]:
    """Edge points of a part whose loops (N, 2), bench mm, material on their left, are known to a few mm.

    Raises
    ------
    PartError as ``locate`` does
    """
    scale = min(1.0, LONG_SIDE_PX / max(photo.size))
    mask = np.zeros((round(photo.size[1] * scale), round(photo.size[0] * scale)), np.uint8)
    seen = [(view.image_from_bench(loop, heights.top) + 0.5) * scale - 0.5 for loop in loops]
    cv2.fillPoly(mask, [np.round(s * 2**FINE_BITS).astype(np.int32) for s in seen], 1, shift=FINE_BITS)
    own = palette(photo.pixels, mask > 0, scale)
    return locate(view, photo.pixels, [follow(view, photo.pixels, loop, heights, own) for loop in loops], heights)
