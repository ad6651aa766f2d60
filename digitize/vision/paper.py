"""Which pixels the sheets explain: squares that look as printed, and the paper round them.

A part may lie over a sheet, so a sheet is not simply cut out of the picture: each of its pixels is compared with what
the print should look like there, in colour and in lightness. How far the paper reaches beyond the squares is not known
(A4 or Letter, trimmed or not): it is searched outward from the squares, side by side.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points
from digitize.model.sheet import Sheet
from digitize.vision.checkerboard import CELLS, marker_cells, marker_squares
from digitize.vision.view import View

Mask = npt.NDArray[np.bool_]

CELL_PX = 6  # texture px for each cell of a marker
GRID_PX = 16  # the bench is mapped exactly every so many px, linearly between
FAR_MM = 45.0  # paper is looked for so far beyond the squares: Letter leaves 20 x 18 mm, A4 28 x 15 mm
STEP_MM = 1.5
SPECK_MM, BRIDGE_MM = 2.5, 14.0  # blurred edges are narrower; plain white or black in the print is not wider
NEUTRAL = 9.0  # Lab chroma distance from the sheet's own white that is still paper or ink
DARKEST_WHITE, BRIGHTEST_INK = 0.55, 0.62  # of the paper's lightness L*: white in shadow, ink in glare
DARKEST_PAPER = 0.8  # the same for the search of the paper's edge
INKED, BARE = 0.8, 0.2  # share of ink in a pixel: only black counts above, only paper below


def explained_by_sheets(lab: npt.NDArray[np.float32], scale: float, view: View) -> Mask:
    """True where a sheet explains the pixel.

    lab : (h, w, 3) CIE L*a*b* of the photo reduced by ``scale`` (reduced px per photo px)
    """
    h, w = lab.shape[:2]
    explained = np.zeros((h, w), dtype=bool)
    for k in range(len(view.sightings)):
        box = _box(view, k, scale, (w, h))
        x0, y0, x1, y1 = box
        if x1 - x0 < 8 or y1 - y0 < 8:
            continue
        own = _sheet_from_box(view, k, scale, box)
        explained[y0:y1, x0:x1] |= _explained(lab[y0:y1, x0:x1], own, view.sightings[k].sheet)
    return explained


def printed(sheet: Sheet) -> npt.NDArray[np.float32]:
    """Share of ink on the squares of a sheet, 1 = black, (rows, columns) of equal texture px, from the upper left."""
    if sheet.number is None:
        return np.kron(
            (np.add.outer(np.arange(sheet.down), np.arange(sheet.across)) + 1) % 2, np.ones((56, 56))
        ).astype(np.float32)
    side = round(sheet.square / sheet.marker * CELLS * CELL_PX)
    margin = (side - CELLS * CELL_PX) // 2
    squares = np.kron((np.add.outer(np.arange(sheet.down), np.arange(sheet.across)) + 1) % 2, np.ones((side, side)))
    for (row, column), bits in zip(marker_squares(), marker_cells(sheet.number), strict=True):
        y, x = row * side + margin, column * side + margin
        squares[y : y + CELLS * CELL_PX, x : x + CELLS * CELL_PX] = np.kron(bits, np.ones((CELL_PX, CELL_PX)))
    return squares.astype(np.float32)


def _box(view: View, k: int, scale: float, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """x0, y0, x1, y1 of the reduced image that hold the sheet and FAR_MM round it."""
    w, h = view.sightings[k].sheet.size
    side = np.linspace(-FAR_MM, 1.0, 2)
    own = np.array([[x, y] for x in (side[0], w + FAR_MM) for y in (FAR_MM, -h - FAR_MM)])
    px = view.image_from_bench(view.bench_from_sheet(k, own)) * scale
    low, high = np.floor(px.min(axis=0)), np.ceil(px.max(axis=0)) + 1
    (x0, y0), (x1, y1) = np.clip(low, 0, size).astype(int), np.clip(high, 0, size).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _sheet_from_box(view: View, k: int, scale: float, box: tuple[int, int, int, int]) -> Points:
    """Place in the sheet's own frame, (h, w, 2) float32 mm, y up, of every pixel of the box."""
    x0, y0, x1, y1 = box
    gx, gy = np.meshgrid(
        np.arange(x0 - GRID_PX, x1 + 2 * GRID_PX, GRID_PX), np.arange(y0 - GRID_PX, y1 + 2 * GRID_PX, GRID_PX)
    )
    px = (np.stack([gx.ravel(), gy.ravel()], axis=1) + 0.5) / scale - 0.5
    bench = view.bench_from_image(px)
    origin, across, up = view.bench_from_sheet(k, [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    own = np.linalg.solve(np.stack([across - origin, up - origin], axis=1), (bench - origin).T).T
    grid = own.reshape(*gx.shape, 2).astype(np.float32)
    x, y = np.meshgrid(np.arange(x1 - x0, dtype=np.float32), np.arange(y1 - y0, dtype=np.float32))
    return np.asarray(cv2.remap(grid, x / GRID_PX + 1, y / GRID_PX + 1, cv2.INTER_LINEAR))


def _explained(lab: npt.NDArray[np.float32], own: Points, sheet: Sheet) -> Mask:
    ink = _ink(own, sheet)
    h2, w2 = (n // 2 for n in ink.shape)
    w, h = sheet.size
    outside = np.maximum(np.maximum(-own[..., 0], own[..., 0] - w), np.maximum(own[..., 1], -h - own[..., 1]))
    inside = outside < 0
    bare = inside & (ink < BARE)
    if not bare.any():
        return np.zeros(ink.shape, dtype=bool)
    white = np.median(lab[bare], axis=0)
    neutral = np.hypot(lab[..., 1] - white[1], lab[..., 2] - white[2]) < NEUTRAL
    light, dark = lab[..., 0] > DARKEST_WHITE * white[0], lab[..., 0] < BRIGHTEST_INK * white[0]
    as_printed = neutral & np.where(ink < BARE, light, np.where(ink > INKED, dark, True))
    paper = neutral & light
    bright = neutral & (lab[..., 0] > DARKEST_PAPER * white[0])
    reach = [_reach(own, bright, sheet, side) for side in range(4)]
    page = (
        (-reach[0] < own[..., 0])
        & (own[..., 0] < w + reach[1])
        & (own[..., 1] < reach[2])
        & (own[..., 1] > -h - reach[3])
    )
    wrong = inside & neutral & ~as_printed  # a grey, white or black part: right by chance where the print is the same
    pitch = float(np.linalg.norm(own[h2, w2] - own[h2, w2 - 1]))
    wrong = _morph(_morph(wrong, cv2.MORPH_OPEN, SPECK_MM / pitch), cv2.MORPH_CLOSE, BRIDGE_MM / pitch)
    return np.asarray(np.where(inside, as_printed & ~wrong, paper & page))


def _morph(mask: Mask, kind: int, diameter: float) -> Mask:
    side = max(1, round(diameter)) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), kind, disc)) > 0


def _ink(own: Points, sheet: Sheet) -> npt.NDArray[np.float32]:
    """Share of ink (h, w), 0..1, that the print has at each place, as the reduced image blurs it; 0 off the squares."""
    texture = printed(sheet)
    per_mm = np.array([texture.shape[1] / sheet.size[0], texture.shape[0] / sheet.size[1]], dtype=np.float32)
    at = own * per_mm * np.array([1, -1], dtype=np.float32) - np.float32(0.5)
    middle = at[at.shape[0] // 2 - 2 :, at.shape[1] // 2 - 2 :][:3, :3]
    pitch = float(np.linalg.norm(middle[0, 1] - middle[0, 0]) + np.linalg.norm(middle[1, 0] - middle[0, 0])) / 2
    soft = cv2.GaussianBlur(texture, (0, 0), max(0.5, 0.5 * pitch), borderType=cv2.BORDER_CONSTANT)
    return np.asarray(cv2.remap(soft, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))


def _reach(own: Points, paper: Mask, sheet: Sheet, side: int) -> float:
    """How far (mm) the paper reaches beyond the squares on one side: left, right, up, down.

    The first strip along the side, going outward, that is mostly not paper ends it; where the bench looks like paper
    the search goes on to FAR_MM, which does no harm: such a pixel is no part of anything.
    """
    w, h = sheet.size
    beyond = (-own[..., 0], own[..., 0] - w, own[..., 1], -h - own[..., 1])[side]
    along = own[..., 1] if side < 2 else own[..., 0]
    low, high = (-h, 0.0) if side < 2 else (0.0, w)
    strip = (along > low) & (along < high) & (beyond > 0) & (beyond < FAR_MM)
    bins = (beyond[strip] / STEP_MM).astype(int)
    share = np.bincount(bins, paper[strip]) / np.maximum(np.bincount(bins), 1)
    ends = np.flatnonzero(share < 0.5)
    return float(ends[0] * STEP_MM if len(ends) else len(share) * STEP_MM)
