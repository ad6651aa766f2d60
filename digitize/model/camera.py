"""The camera of one photo, and the lens profile that a calibration leaves behind.

Pixels: x right, y down, (0, 0) is the centre of the first pixel of the upright photo. Distortion is OpenCV's model,
in OpenCV's order (k1, k2, p1, p2, k3[, k4, k5, k6]).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

Matrix = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Pinhole and distortion.

    size : width and height of the upright photo, px
    focal : (fx, fy), px
    centre : principal point, px
    distortion : 5 or 8 coefficients, OpenCV's order
    """

    size: tuple[int, int]
    focal: tuple[float, float]
    centre: tuple[float, float]
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def matrix(self) -> Matrix:
        """The 3 x 3 camera matrix."""
        return np.array([[self.focal[0], 0.0, self.centre[0]], [0.0, self.focal[1], self.centre[1]], [0.0, 0.0, 1.0]])


class LensProfile(BaseModel):
    """What a calibration knows of one lens, as kept in a ``.lens.json`` file.

    ``parameters`` and ``covariance`` follow the order fx, fy, cx, cy, then the distortion coefficients; they hold for a
    photo of ``size`` (width, height) px taken upright; the same lens at another size is the same profile, scaled.
    ``model`` names the distortion model; ``photos`` and ``points`` tell how many it was calibrated from.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["digitize lens"] = "digitize lens"
    version: Literal[1] = 1
    name: str = ""
    camera: str = ""
    focal_35mm: float | None = None
    size: tuple[int, int]
    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    rms_px: float = Field(gt=0)
    model: str = ""
    photos: int = 0
    points: int = 0

    @model_validator(mode="after")
    def _whole(self) -> Self:
        n = len(self.parameters)
        if n not in (9, 12) or len(self.covariance) != n or any(len(row) != n for row in self.covariance):
            raise ValueError("a lens profile holds 9 or 12 parameters and their square covariance")
        return self


def focal_from_35mm(focal_35mm: float, size: tuple[int, int]) -> float:
    """Focal length in px from the EXIF's 35 mm equivalent, which keeps the angle of view over the diagonal.

    Source: CIPA DCG-001 (35 mm frame 36 x 24 mm, diagonal 43.27 mm; from memory).
    """
    return focal_35mm / math.hypot(36.0, 24.0) * math.hypot(*size)
