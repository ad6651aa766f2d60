"""The photo as the vision floor sees it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]

_CODE = np.arange(256) / 255
LINEAR_LIGHT = np.where(_CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4)
"""(256,) float: the light, 0..1, that a stored value of 0..255 stands for (sRGB, IEC 61966-2-1)."""


@dataclass(frozen=True)
class Photo:
    """An upright photo.

    pixels : (H, W, 3) uint8, RGB as stored (sRGB curve applied)
    name : what people call it (the file's name)
    focal_35mm : EXIF's 35 mm equivalent focal length, None where the photo does not say
    camera : make and model from EXIF, empty where unknown
    turns : quarter turns clockwise that made the sensor's picture upright
    """

    pixels: Image
    name: str = "photo"
    focal_35mm: float | None = None
    camera: str = ""
    turns: int = 0

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.pixels.shape[1], self.pixels.shape[0]
