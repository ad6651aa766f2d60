"""The printed checkerboard sheets: what is on them, in millimetres.

A sheet's own frame has its origin at the upper left corner of the printed squares, x to the right and y up (so the
squares lie at negative y); its grid points, where four squares meet, are numbered row by row from the upper left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from digitize.model.segment import Points

CHECK_LINE_MM = 150.0  # printed along both axes of every sheet
PAPER_MM = 0.1  # thickness of 80 g/m2 office paper: common practice; the bench lies this far below a sheet's face
CODED_SHEETS = 18  # numbers 0..17
MARKERS_EACH = 54  # coded sheet k carries the markers 54k .. 54k + 53 of DICT_5X5_1000


@dataclass(frozen=True)
class Sheet:
    """One printed sheet.

    number : 0..17 for a coded sheet, None for a plain board
    across, down : squares along x and y
    square : nominal side, mm
    marker : nominal side of the markers, mm; 0 on a plain board
    scale : printed size over nominal size along x and y, from the measured check lines
    """

    number: int | None
    across: int = 9
    down: int = 12
    square: float = 20.0
    marker: float = 15.0
    scale: tuple[float, float] = (1.0, 1.0)

    @property
    def name(self) -> str:
        return "plain board" if self.number is None else f"sheet {self.number}"

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the printed squares, mm, print scale applied."""
        return self.across * self.square * self.scale[0], self.down * self.square * self.scale[1]

    def grid_points(self) -> Points:
        """All grid points, ((across-1)*(down-1), 2), mm, in the sheet's own frame, print scale applied."""
        x, y = np.meshgrid(np.arange(1, self.across), np.arange(1, self.down))
        nominal = np.stack([x.ravel(), -y.ravel()], axis=1) * self.square
        points: Points = nominal * np.asarray(self.scale)
        return points


def coded_sheet(number: int, scale: tuple[float, float] = (1.0, 1.0)) -> Sheet:
    """Coded sheet ``number`` (0..17) as `digitize sheet` prints it."""
    if not 0 <= number < CODED_SHEETS:
        raise ValueError(f"coded sheets are numbered 0 to {CODED_SHEETS - 1}, not {number}")
    return Sheet(number, scale=scale)


def plain_sheet(across: int, down: int, square: float, scale: tuple[float, float] = (1.0, 1.0)) -> Sheet:
    """A plain checkerboard of ``across`` x ``down`` squares of ``square`` mm."""
    if across < 4 or down < 4 or square <= 0:
        raise ValueError("a plain board needs at least 4 x 4 squares of a positive size")
    return Sheet(None, across, down, square, 0.0, scale)
