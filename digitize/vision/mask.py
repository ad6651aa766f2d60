"""Which pixels are the part: masking by what is not bench and not sheet, then border and holes at a finer scale.

Coarse (COARSE_PX): salient superpixels, cut out by GrabCut. Fine (FINE_MM on the bench, in each candidate's own box):
every pixel is weighed against the part's and the bench's colours nearby. Walls may come along, shadows mostly not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.measure import find_contours

from digitize.model.errors import PartError
from digitize.model.segment import Points
from digitize.vision.colours import Floats, Mask, log_light
from digitize.vision.paper import explained_by_sheets
from digitize.vision.photo import Image, Photo
from digitize.vision.relabel import LEAST_HOLE_MM2, Level, contrast_share, relabelled
from digitize.vision.saliency import saliency
from digitize.vision.view import View

Which = Literal["largest", "all"] | tuple[float, float]

COARSE_PX = 560  # long side of the photo for the first decision
SHEET_PX = 1400  # long side where sheets are compared with their print
FINE_MM, FINE_MOST_PX = 0.35, 2.0e6  # bench in one fine mask pixel; pixels in a candidate's box
LEAST_SALIENCY = 0.1  # of the most salient superpixel
SEED, GRABCUT_ROUNDS, CUT_AROUND_MM = 1, 4, 60.0
KEPT_BY_CUT = 0.3  # a cut that keeps less of the salient area, or gives so many times more, is not believed
CLOSE_MM = 5.0  # narrower things on a sheet are its own lettering, check lines and blurred edges
LEAST_MM2 = 150.0  # smaller things are knots, screws and chips
MOST_SPILT = 0.05  # of a candidate's height and width, cut off by its box: it is bench, which has no end
MOST_SHEET = 0.5  # of a candidate's pixels: it is the sheet's own paper
LEAST_SHARE = 0.05  # of the largest candidate: smaller things are clutter
STICK_MM, STICK_SHARE = 12.0, 0.3  # things nowhere wider and smaller than this share of the largest: pencils, rules
AROUND_MM = 14.0  # bench taken into a candidate's box
SETTLED = 0.003  # share of the part that changes in a round
LEVELS = (Level(4, 8, 4.0, True), Level(2, 2, 2.5, True), Level(1, 1, 1.5, False))
PROOF, LEAST_CONTRAST_SHARE = LEVELS[1], 0.85  # where and how much of a candidate's border must differ from the bench


@dataclass(frozen=True, eq=False)
class PartMask:
    """One object in the photo.

    image : (h, w) bool, the whole photo reduced
    scale : mask px per photo px
    contours : closed polylines (N, 2), photo px, the outer one first, then holes
    area_mm2 : on the bench plane, walls included, holes left out
    touches_frame : the photo may not show all of it
    """

    image: Mask
    scale: float
    contours: tuple[Points, ...]
    area_mm2: float
    touches_frame: bool


class _Coarse(NamedTuple):
    """The first decision: what is neither bench nor sheet, and what is sheet, (h, w) bool; mask px per photo px."""

    parts: Mask
    sheets: Mask
    scale: float


class _Box(NamedTuple):
    """A candidate's part of the photo at the fine scale: mask px = (photo px + 0.5) * scale - 0.5 - corner."""

    x: int
    y: int
    width: int
    height: int
    scale: float
    mm: float  # bench in one px

    def shrunk(self, by: int) -> _Box:
        low, high = np.array([self.x, self.y]) // by, -(-np.array([self.x + self.width, self.y + self.height]) // by)
        (x, y), (w, h) = low, high - low
        return _Box(int(x), int(y), int(w), int(h), self.scale / by, self.mm * by)


def find_parts(photo: Photo, view: View) -> tuple[PartMask, ...]:
    """Every object of a sensible size beside or over the sheets, the largest first.

    Sensible: at least LEAST_MM2 and LEAST_SHARE of the largest one, and no stick (STICK_MM, STICK_SHARE).

    Raises
    ------
    PartError if nothing stands out from the bench
    """
    coarse = _coarse(photo.pixels, view)
    labels, pieces = ndimage.label(coarse.parts)
    mm = view.mm_per_px(view.bench_from_image([[(s - 1) / 2 for s in photo.size]])[0]) / coarse.scale
    areas = np.bincount(labels.ravel(), minlength=pieces + 1)[1:] * mm**2
    likely = [k + 1 for k in np.argsort(-areas) if areas[k] >= max(LEAST_MM2, LEAST_SHARE * areas.max())]
    found = [_refined(photo.pixels, view, labels == k, coarse) for k in likely]
    parts = sorted((p for p in found if p is not None), key=lambda p: -p.area_mm2)
    kept = tuple(p for p in parts if _sensible(p, parts[0], view))
    if not kept:
        raise PartError(
            f"nothing of at least {LEAST_MM2 / 100:.1f} cm2 stands out from the bench",
            "lay the part clear of the sheets and of the photo's border, on a bench of another colour",
        )
    return kept


def choose_parts(parts: tuple[PartMask, ...], which: Which = "largest") -> tuple[PartMask, ...]:
    """The largest part, all of them, or the one that holds (or is nearest to) a photo point (x, y) px.

    Raises
    ------
    PartError if a chosen part touches the photo's frame, or no part lies at the point
    """
    if which == "all":
        chosen = parts
    elif which == "largest":
        chosen = parts[:1]
    else:
        chosen = (_at(parts, which),)
    for part in chosen:
        if part.touches_frame:
            side, share = _frame_contact(part)
            raise PartError(
                f"the part runs out of the photo at its {side} ({share:.0%} of that side; the whole part must show)",
                "move the camera back or the part toward the middle, until bench shows all round it",
            )
    return chosen


def _at(parts: tuple[PartMask, ...], point: tuple[float, float]) -> PartMask:
    inside = [p for p in parts if cv2.pointPolygonTest(p.contours[0].astype(np.float32), point, False) >= 0]
    if not inside:
        raise PartError(
            f"no part lies at ({point[0]:.0f}, {point[1]:.0f}) px; {len(parts)} found elsewhere in the photo",
            "give a point of the upright photo that lies well inside the part",
        )
    return min(inside, key=lambda p: p.area_mm2)


def _frame_contact(part: PartMask) -> tuple[str, float]:
    """The side of the photo that a part touches most, and the share of it that the part covers."""
    edges = {
        "left": part.image[:, :3],
        "right": part.image[:, -3:],
        "top": part.image[:3].T,
        "bottom": part.image[-3:].T,
    }
    contact = {side: float(edge.any(axis=1).mean()) for side, edge in edges.items()}
    side = max(contact, key=lambda s: contact[s])
    return side, contact[side]


def _sensible(part: PartMask, largest: PartMask, view: View) -> bool:
    if part.area_mm2 < max(LEAST_MM2, LEAST_SHARE * largest.area_mm2):
        return False
    mm = view.mm_per_px(view.bench_from_image([part.contours[0].mean(axis=0)])[0]) / part.scale
    widest = 2 * mm * float(cv2.distanceTransform(part.image.astype(np.uint8), cv2.DIST_L2, 3).max())
    return widest > STICK_MM or part.area_mm2 >= STICK_SHARE * largest.area_mm2


def _reduced(pixels: Image, longest: int) -> tuple[Image, float]:
    scale = min(1.0, longest / max(pixels.shape[:2]))
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)), scale


def _lab(pixels: Image) -> Floats:
    """CIE L*a*b*, float32, of sRGB pixels."""
    return np.asarray(cv2.cvtColor(pixels.astype(np.float32) / np.float32(255), cv2.COLOR_RGB2LAB))


def _disc(diameter: float) -> npt.NDArray[np.uint8]:
    side = max(1, round(diameter)) | 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))


def _coarse(pixels: Image, view: View) -> _Coarse:
    middling, middle_scale = _reduced(pixels, SHEET_PX)
    small, shrink = _reduced(middling, COARSE_PX)
    scale = middle_scale * shrink
    known = _sheets(middling, middle_scale, view, small.shape[1::-1])
    if known.all():
        return _Coarse(~known, known, scale)
    standing_out = saliency(_lab(small), known)
    eight_bit = (255 * standing_out[~known]).astype(np.uint8).reshape(-1, 1)
    level = max(cv2.threshold(eight_bit, 0, 255, cv2.THRESH_OTSU)[0] / 255, LEAST_SALIENCY)
    part = (standing_out > level) & ~known
    if part.any():
        part = _cut(small, part, known, CUT_AROUND_MM * scale / view.mm_per_px())
    opened = np.asarray(cv2.morphologyEx(part.astype(np.uint8), cv2.MORPH_OPEN, _disc(3)))
    return _Coarse(opened > 0, known, scale)


def _cut(small: Image, part: Mask, known: Mask, around: float) -> Mask:
    """GrabCut from the salient superpixels, within ``around`` px of them (Rother, Kolmogorov, Blake, SIGGRAPH 2004)."""
    (y0, x0), (y1, x1) = (f(np.argwhere(part), axis=0) for f in (np.min, np.max))
    box = tuple(slice(max(0, int(a - around)), int(b + around)) for a, b in ((y0, y1), (x0, x1)))
    seed = np.where(known, cv2.GC_BGD, np.where(part, cv2.GC_PR_FGD, cv2.GC_PR_BGD)).astype(np.uint8)[box]
    bench = seed == cv2.GC_PR_BGD
    if not bench.any():
        return part
    plain = small[box].copy()
    plain[known[box]] = np.median(plain[bench], axis=0)
    cv2.setRNGSeed(SEED)
    cv2.grabCut(plain, seed, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), GRABCUT_ROUNDS, cv2.GC_INIT_WITH_MASK)
    cut = np.zeros_like(part)
    cut[box] = (seed == cv2.GC_FGD) | (seed == cv2.GC_PR_FGD)
    lost = (cut & part).sum() < KEPT_BY_CUT * part.sum() or cut.sum() > part.sum() / KEPT_BY_CUT
    return part if lost else cut


def _sheets(image: Image, scale: float, view: View, shape: tuple[int, int]) -> Mask:
    """Pixels of the reduced image that the sheets explain, handed down to ``shape`` (width, height)."""
    known = explained_by_sheets(_lab(image), scale, view).astype(np.uint8)
    mm = view.mm_per_px() / scale
    whole = np.asarray(cv2.morphologyEx(known, cv2.MORPH_CLOSE, _disc(CLOSE_MM / mm)))
    return np.asarray(cv2.resize(255 * whole, shape, interpolation=cv2.INTER_AREA)) > 100


def _refined(pixels: Image, view: View, rough: Mask, coarse: _Coarse) -> PartMask | None:
    """One candidate, from rough to fine; nothing where it comes to nothing there or does not differ from the bench."""
    finest = _box(rough, coarse.scale, pixels.shape, view)
    whole = _Box(0, 0, rough.shape[1], rough.shape[0], coarse.scale, 0.0)
    part, other, was = rough, coarse.parts & ~rough, whole
    for level in LEVELS:
        box = finest.shrunk(level.shrink)
        light = _crop(pixels, box)
        part, other = (_resampled(m, was, box) > 0.5 for m in (part, other))
        for _ in range(level.rounds):
            before, part = part, relabelled(light, part, other, level, box.mm)
            if not part.any():
                return None
            if (part ^ before).sum() < SETTLED * part.sum():
                break
        part, was = _main_piece(part), box
        if level is PROOF:
            sheet = _resampled(coarse.sheets, whole, box) > 0.2
            spilt = _spilt(part, box, pixels.shape) > MOST_SPILT or sheet[part].mean() > MOST_SHEET
            if spilt or contrast_share(light, part, sheet, box.mm) < LEAST_CONTRAST_SHARE:
                return None
    return _as_part_mask(part, finest, pixels.shape, view)


def _box(rough: Mask, scale: float, shape: tuple[int, ...], view: View) -> _Box:
    rows, columns = np.flatnonzero(rough.any(axis=1)), np.flatnonzero(rough.any(axis=0))
    low = np.array([columns[0], rows[0]]) / scale
    high = np.array([columns[-1] + 1, rows[-1] + 1]) / scale
    mm = view.mm_per_px(view.bench_from_image([(low + high) / 2])[0])
    low = np.clip(low - AROUND_MM / mm, 0, None)
    high = np.minimum(high + AROUND_MM / mm, shape[1::-1])
    fine = min(1.0, mm / FINE_MM, float(np.sqrt(FINE_MOST_PX / np.prod(high - low))))
    (x0, y0), (x1, y1) = np.floor(low * fine).astype(int), np.ceil(high * fine).astype(int)
    return _Box(int(x0), int(y0), int(x1 - x0), int(y1 - y0), fine, mm / fine)


def _spilt(part: Mask, box: _Box, shape: tuple[int, ...]) -> float:
    """How much of a candidate's height and width runs against its box, where that is not the photo's frame."""
    h, w = shape[0] * box.scale, shape[1] * box.scale
    free = (box.y > 0, box.y + box.height < h - 1, box.x > 0, box.x + box.width < w - 1)
    sides = (part[0], part[-1], part[:, 0], part[:, -1])
    extent = part.any(axis=0).sum() + part.any(axis=1).sum()
    return float(sum(side.sum() for side, cut in zip(sides, free, strict=True) if cut) / max(1, extent))


def _crop(pixels: Image, box: _Box) -> Floats:
    """Log light (h, w, 3) of the box."""
    a, b = np.array([box.x, box.y]), np.array([box.x + box.width, box.y + box.height])
    (x0, y0), (x1, y1) = np.round(a / box.scale).astype(int), np.round(b / box.scale).astype(int)
    part = cv2.resize(pixels[y0:y1, x0:x1], (box.width, box.height), interpolation=cv2.INTER_AREA)
    return log_light(np.asarray(part))


def _resampled(mask: Mask, was: _Box, box: _Box) -> Floats:
    """A mask of one box over another, smoothly, 0..1."""
    ratio = was.scale / box.scale
    x = (np.arange(box.width, dtype=np.float32) + box.x + 0.5) * ratio - 0.5 - was.x
    y = (np.arange(box.height, dtype=np.float32) + box.y + 0.5) * ratio - 0.5 - was.y
    gx, gy = np.meshgrid(x, y)
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.7)
    return np.asarray(cv2.remap(soft, gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _main_piece(part: Mask) -> Mask:
    labels, n = ndimage.label(part)
    return np.asarray(labels == 1 + int(np.argmax(np.bincount(labels.ravel(), minlength=n + 1)[1:]))) if n else part


def _as_part_mask(part: Mask, box: _Box, shape: tuple[int, ...], view: View) -> PartMask:
    h, w = (round(s * box.scale) for s in shape[:2])
    image = np.zeros((max(h, box.y + box.height), max(w, box.x + box.width)), dtype=bool)
    image[box.y : box.y + box.height, box.x : box.x + box.width] = part
    soft = cv2.GaussianBlur(np.pad(part, 2).astype(np.float32), (0, 0), 1.0)
    rings = [
        (c[:-1, ::-1] - 2 + (box.x, box.y) + 0.5) / box.scale - 0.5 for c in find_contours(soft, 0.5) if len(c) > 8
    ]
    areas = [_area(view.bench_from_image(r)) for r in rings]
    order = np.argsort(-np.abs(areas))
    holes = [k for k in order[1:] if abs(areas[k]) >= LEAST_HOLE_MM2]
    area = abs(areas[order[0]]) - sum(abs(areas[k]) for k in holes)
    edge = np.zeros_like(image)
    edge[:2], edge[-2:], edge[:, :2], edge[:, -2:] = True, True, True, True
    return PartMask(
        image[:h, :w], box.scale, tuple(rings[k] for k in (order[0], *holes)), area, bool((image & edge).any())
    )


def _area(p: Points) -> float:
    q = np.roll(p, -1, axis=0)
    return float(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]) / 2)
