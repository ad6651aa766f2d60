"""A photo as square JPEG tiles in several sizes, so that the page can show and enlarge it smoothly."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
from PIL import Image

from digitize.vision.photo import Image as Pixels
from digitize.vision.photo import Photo

TILE_PX = 512
QUALITY = 88


def tiles_of(photo: Photo) -> Mapping[tuple[int, int, int], bytes]:
    """Tiles by level, column and row; level 0 is one tile, each further one twice as large, the last the photo itself.

    A level's pixel is the mean of those it stands for, so that no level is shifted against another; at the right and
    the lower edge the last pixels are repeated until that comes out even.
    """
    levels = [photo.pixels]
    while max(levels[-1].shape[:2]) > TILE_PX:
        levels.append(_halved(levels[-1]))
    found = {}
    for z, pixels in enumerate(reversed(levels)):
        for y in range(0, pixels.shape[0], TILE_PX):
            for x in range(0, pixels.shape[1], TILE_PX):
                found[z, x // TILE_PX, y // TILE_PX] = _jpeg(pixels[y : y + TILE_PX, x : x + TILE_PX])
    return found


def _halved(pixels: Pixels) -> Pixels:
    height, width = pixels.shape[:2]
    even = np.pad(pixels, ((0, height % 2), (0, width % 2), (0, 0)), mode="edge") if height % 2 or width % 2 else pixels
    return np.asarray(Image.fromarray(even).reduce(2))


def _jpeg(pixels: Pixels) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=QUALITY)
    return stream.getvalue()
