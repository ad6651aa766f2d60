"""From a followed loop to its contour: every edge point located to a fraction of a pixel, with its standard error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from digitize.model.outline import Contour
from digitize.model.segment import Points
from digitize.vision.edge import (
    APART,
    FULL,
    LEAST_LIGHT,
    LIGHT,
    NARROW_PX,
    RIM_LIGHT,
    WALL_APART_PX,
    WALL_LIGHT,
    Floats,
    ProfileFits,
    ending_at_corners,
    fit_profiles,
    profiles,
    rays,
    reach_px,
)
from digitize.vision.evidence import off_colour
from digitize.vision.photo import Image
from digitize.vision.polyline import curvature, faired, outward, resampled, smoothed
from digitize.vision.thickness import Heights
from digitize.vision.tips import Room, pointed, room
from digitize.vision.view import View

Mask = npt.NDArray[np.bool_]

ALONG = 2  # profiles averaged on either side, about one px apart
MARGIN_PX = 40  # of photo about the edge
NEARBY_NODES = 8  # over which the edge's contrast is taken as one
UNKNOWN_WALL = (1.0, 30.0)  # along an axis of colour, where the light of a face says nothing of its wall
LEAST_WALLS = 8  # profiles with a wall wide enough to show its light
COLOUR_GAIN = 2.0  # photos are stored with blurred colour: it must place the edge so much better than luma
EVERY = 2  # nodes for each point kept
GAP = 1.6  # steps between neighbours that have lost a point between them
SMOOTH_MM = 0.8  # the followed line is rough by less over this length
FAIR_MM = 3.0  # located points make a fairer line over this length,
UNFAIR = 3.0  # unless they lie so many standard errors off it: there are corners
STRAY = 0.3  # standard errors for each that a point lies off the fair line: what made it so is not in its profile
BLUR_PX, BLUR_SPREAD = 0.9, 0.5  # before the edge tells
SHARPEST, SOFTEST = 0.4, 8.0  # px
LARGEST_MOVE_PX = 4.0  # a place farther from the followed line is not that line's edge
NARROWEST = 2.5  # times the blur: edges that lie nearer to each other are seen as one
UPRIGHT_PX = 0.7  # of wall that a corner's upright takes from a profile
OBLIQUE_PX = 0.4  # by which a point may be off whose profile crosses an upright aslant
UNSEEN_PX = 1.0  # an edge that is not placed to within a pixel is none
ODD = 5.0  # robust standard deviations from its neighbours that make a point an outlier
NEARBY = 0.06  # of the loop's points: over so many the face's light is compared
SAME_TINT = 5  # times as many share its colour, which shading leaves alone
OWN_LIGHT = (0.65, 1.5)  # the face's light, for its median nearby: neither wall nor shadow
TINT_PX = 1.75  # within the edge: there the face shows its own colour, however blurred
SCATTER_MM = 5.0  # figure and shading push neighbouring points alike over less than this
RIM_TIE = 3.0  # weight of an eased arris looking like the face
RIM_SHARE = 0.5  # of the profiles' scatter is the eased arris' own,
RIM_LEAST = 0.03  # and at least so much of the face's light
BLUR_REACH = 3.0  # standard deviations of it
TIGHTEST = 0.25  # blur times curvature, beyond which the curve is a corner


class Light(NamedTuple):
    """Part of the photo: (h, w, 4) luma, red, green, blue, FULL for white; and where its corner lies, px."""

    image: npt.NDArray[np.uint16]
    corner: Floats


class Optics(NamedTuple):
    """What the first look learns.

    blur : (2, 2) px^2, and ``spread`` px, how far each profile's own blur may differ
    wall_light : light of the walls for the face's, mean and standard deviation
    rim_light : (4,) of an eased arris: its light less the face's, for that, and how this grows along x and y of its
        normal; standard deviation
    by_colour : (M,) evenly round the loop: luma does not show the edge there, colour does
    """

    blur: Floats
    spread: float
    wall_light: tuple[float, float]
    rim_light: Floats
    by_colour: Mask


@dataclass(frozen=True)
class Located:
    nodes: Points
    normals: Points
    bend: Floats
    across: Points
    wall: Floats
    by_colour: Mask
    steps: ProfileFits
    tint: Floats  # (N, 2) red and blue less luma just inside the edge
    px_per_mm: Floats
    width: Floats  # px, to the edge opposite, through the material or beside it
    oblique: Mask  # the profile ends its wall at a corner's upright, which it does not cross squarely


def locate(view: View, pixels: Image, loops: Sequence[Points], heights: Heights) -> tuple[Contour, ...]:
    """Edge points of the loops of one part.

    pixels : (H, W, 3) of the photo
    loops : (N, 2) mm each, the true outline to within some pixels, material on its left

    Returns
    -------
    The contours, about EVERY px between points; points that cannot be trusted are left out.
    """
    pixel = view.mm_per_px(loops[0].mean(axis=0), heights.top)
    lights = [light_about(pixels, view.image_from_bench(loop, heights.top)) for loop in loops]
    nodes = [smoothed(resampled(loop, pixel), round(SMOOTH_MM / pixel)) for loop in loops]
    learned = learn(view, lights, nodes, heights)
    return tuple(_contour(view, *each, heights, pixel) for each in zip(lights, nodes, learned, strict=True))


def _contour(view: View, light: Light, nodes: Points, optics: Optics, heights: Heights, pixel: float) -> Contour:
    found = look(view, light, nodes, heights, optics)
    sound = _sound(found)
    line = resampled(pointed(_points(found)[sound], GAP * EVERY * pixel), pixel)
    curve, off = faired(line, max(4, round(FAIR_MM / pixel)))
    fair = off < UNFAIR * np.median((found.steps.sigma / found.px_per_mm)[sound])
    nodes = np.where(fair[:, None], curve, smoothed(line, round(0.5 * SMOOTH_MM / pixel)))
    found = look(view, light, nodes, heights, optics)
    sound = _sound(found)
    doubted = found.steps.sigma * _doubt(found.steps.place, fair[::EVERY], sound)
    points, sigma = _points(found)[sound], (np.hypot(doubted, OBLIQUE_PX * found.oblique) / found.px_per_mm)[sound]
    blur = (BLUR_REACH * float(np.median(found.steps.blur)) + 1.0) * pixel
    return Contour(points, sigma * _excess(points, sigma, EVERY * pixel), blur)


def light_about(pixels: Image, edge: Points) -> Light:
    """Luma, red, green and blue of the photo round an imaged edge (N, 2), in linear light."""
    size = np.array(pixels.shape[1::-1])
    x0, y0 = np.clip(np.floor(edge.min(axis=0)).astype(int) - MARGIN_PX, 0, size - 1)
    x1, y1 = np.clip(np.ceil(edge.max(axis=0)).astype(int) + MARGIN_PX, 1, size)
    crop = pixels[y0:y1, x0:x1]
    luma = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)[:, :, None]
    return Light(LIGHT[np.concatenate([luma, crop], axis=2)], np.array([x0, y0], dtype=float))


def _contrast(y: Floats, v: Floats, blur: float, reach: float, by_colour: Mask) -> Floats:
    """Profiles (N, K) of luma, red, green and blue (N, K, 4): luma, or where told, along the colour axis from the face
    to what lies just beyond it."""
    face, near = (v < -1.5 * blur) & (v >= -reach), (v > 1.5 * blur) & (v <= 1.5 * blur + 2.0)
    axis = smoothed(y[:, near].mean(axis=1) - y[:, face].mean(axis=1), NEARBY_NODES)
    axis[:, 0] = 0.0
    axis /= np.linalg.norm(axis, axis=1, keepdims=True) + 1e-9
    axis[~by_colour] = (1.0, 0.0, 0.0, 0.0)
    return np.asarray(np.einsum("nkc,nc->nk", y, axis))


def look(view: View, light: Light, nodes: Points, heights: Heights, optics: Optics) -> Located:
    normals = outward(smoothed(nodes, 1), 2)
    bend = curvature(nodes, 4)
    drawn = rays(view, nodes, normals, heights)
    r = ending_at_corners(drawn)
    blur = np.sqrt(np.einsum("ni,ij,nj->n", r.across, optics.blur, r.across))
    reach = np.ceil(reach_px(blur).max())
    v = np.arange(-reach - np.ceil(r.rim.max()), 2 * reach + WALL_APART_PX + 1.0)
    moved = replace(r, base=r.base - light.corner)
    by_colour = optics.by_colour[np.arange(len(nodes)) * len(optics.by_colour) // len(nodes)]
    colours = smoothed(profiles(light.image, moved, v) / FULL, ALONG)
    y = _contrast(colours, v, float(np.median(blur)), float(reach), by_colour)
    reach_mm = float((v[-1] + APART * blur.max()) / r.px_per_mm.min())
    free = Room(*(r.px_per_mm * side for side in room(nodes, normals, reach_mm)))
    keep = slice(None, None, EVERY)
    wall_light = np.where(by_colour[:, None], UNKNOWN_WALL, optics.wall_light)[keep].T
    rim_light = np.column_stack([np.ones(len(normals)), normals])[keep] @ optics.rim_light[:3]
    steps = fit_profiles(
        *(y[keep], v, r.wall[keep], blur[keep], optics.spread),
        wall_light=(wall_light[0], wall_light[1]),
        rim=r.rim[keep],
        rim_light=(rim_light, float(optics.rim_light[3])),
        room=(free.inside[keep], free.outside[keep]),
    )
    return Located(
        *(nodes[keep], normals[keep], bend[keep], r.across[keep], r.wall[keep], by_colour[keep], steps),
        _tint_inside(colours[keep], v, steps.place),
        *(r.px_per_mm[keep], np.minimum(free.inside, free.outside)[keep]),
        (r.wall < drawn.wall - UPRIGHT_PX)[keep],
    )


def _tint_inside(colours: Floats, v: Floats, place: Floats) -> Floats:
    """Red and blue less luma (N, 2) within the places (N,), from profiles (N, K, 4) at v (K,), averaged over 2 px."""
    near = np.clip(1.5 - np.abs(v - place[:, None] + TINT_PX), 0.0, 1.0)
    tint = np.einsum("nk,nkc->nc", near, colours[:, :, [1, 3]] - colours[:, :, :1])
    return np.asarray(tint / np.maximum(near.sum(axis=1), 1e-9)[:, None])


def _doubt(place: Floats, fair: Mask, sound: Mask) -> Floats:
    """Factors (N,) for the standard errors of points off the line their neighbours make, where it is fair."""
    typical = 1.4826 * np.median(np.abs(place[sound])) + 0.01
    return np.asarray(np.hypot(1.0, fair * STRAY * place / typical))


def _points(found: Located) -> Points:
    """Located points, mm, the blur's pull toward the centre of curvature (blur^2 / 2R) undone."""
    bend = found.bend / found.px_per_mm  # per px
    limit = TIGHTEST / found.steps.blur
    pull = 0.5 * found.steps.blur**2 * np.clip(bend, -limit, limit)
    offset = (found.steps.place + pull) / found.px_per_mm
    return np.asarray(found.nodes + offset[:, None] * found.normals)


def _sound(found: Located) -> Mask:
    """Points that lie with their neighbours, on the face's own light and colour, and whose profile the model knows."""
    steps, nearby = found.steps, max(9, 2 * round(NEARBY * len(found.nodes) / 2) + 1)
    off = steps.place - median_filter(steps.place, 9, mode="wrap")
    spread = 1.4826 * np.median(np.abs(off)) + 0.05
    light = steps.light / np.maximum(median_filter(steps.light, nearby, mode="wrap"), 1e-4)
    return np.asarray(
        (np.abs(steps.place) < LARGEST_MOVE_PX)
        & (np.abs(off) < ODD * spread)
        & (found.by_colour | ((light > OWN_LIGHT[0]) & (light < OWN_LIGHT[1])))
        & ~off_colour(found.tint, SAME_TINT * nearby)
        & (steps.noise < ODD * np.median(steps.noise))
        & (steps.sigma < UNSEEN_PX)
        & (found.width > NARROWEST * steps.blur)
    )


def learn(view: View, lights: Sequence[Light], nodes: Sequence[Points], heights: Heights) -> list[Optics]:
    """What every third node tells: the blur and the walls' light for all loops of a part, and for each loop where
    colour shows the edge better than luma."""
    any_rim = np.array([RIM_LIGHT[0], 0.0, 0.0, RIM_LIGHT[1]])
    unknown = Optics(BLUR_PX**2 * np.eye(2), BLUR_SPREAD, WALL_LIGHT, any_rim, np.zeros(1, dtype=bool))
    coloured = unknown._replace(by_colour=np.ones(1, dtype=bool))
    luma = [look(view, light, n[::3], heights, unknown) for light, n in zip(lights, nodes, strict=True)]
    colour = [look(view, light, n[::3], heights, coloured) for light, n in zip(lights, nodes, strict=True)]
    better = [
        smoothed(a.steps.sigma, NEARBY_NODES) > COLOUR_GAIN * smoothed(b.steps.sigma, NEARBY_NODES)
        for a, b in zip(luma, colour, strict=True)
    ]
    best = [b if choice.mean() > 0.5 else a for a, b, choice in zip(luma, colour, better, strict=True)]
    blur = _blur_ellipse(np.concatenate([f.across for f in best]), np.concatenate([f.steps.blur for f in best]))
    ratio = [(f.steps.light + f.steps.rim_step + f.steps.step) / np.maximum(f.steps.light, 1e-3) for f in luma]
    shown = [r[(f.wall > NARROW_PX) & ~choice] for r, f, choice in zip(ratio, luma, better, strict=True)]
    wall_light = _middle_and_spread(np.concatenate(shown))
    rim_light = rim_light_of(luma) if heights.eased > 0 else any_rim
    return [Optics(blur, 0.0, wall_light, rim_light, choice) for choice in better]


def rim_light_of(looks: Sequence[Located]) -> Floats:
    """(4,) as in Optics: a plane's light goes with its normal, so an eased arris all round is told by three numbers."""
    ratio = np.concatenate([f.steps.rim_step / np.maximum(f.steps.light, LEAST_LIGHT) for f in looks])
    normals = np.concatenate([f.normals for f in looks])
    columns, trust = np.column_stack([np.ones(len(normals)), normals]), np.ones(len(ratio))
    light, spread = np.zeros(3), RIM_LIGHT[1]
    for _ in range(8):
        rows = np.vstack([columns * trust[:, None], RIM_TIE * np.eye(3)])
        light = np.linalg.lstsq(rows, np.concatenate([ratio * trust, np.zeros(3)]), rcond=None)[0]
        off = np.abs(ratio - columns @ light)
        spread = 1.4826 * float(np.median(off)) + 1e-3
        trust = 1.0 / (1.0 + (off / spread) ** 2)
    return np.array([*light, min(max(RIM_SHARE * spread, RIM_LEAST), RIM_LIGHT[1])])


def _middle_and_spread(ratio: Floats) -> tuple[float, float]:
    """Of the walls' light for the face's, robustly; what is usual where too few walls are seen."""
    if len(ratio) < LEAST_WALLS:
        return WALL_LIGHT
    middle = float(np.median(ratio))
    return middle, max(0.06, 2.2 * float(np.median(np.abs(ratio - middle))))


def _blur_ellipse(across: Points, blur: Floats) -> Floats:
    """Symmetric (2, 2) px^2 with blur^2 = n S n for the directions n (N, 2), by robust least squares."""
    terms = np.stack([across[:, 0] ** 2, 2 * across[:, 0] * across[:, 1], across[:, 1] ** 2], axis=1)
    trust, s = np.ones(len(blur)), np.zeros(3)
    for _ in range(8):
        rows = np.vstack([terms * trust[:, None], 1e-3 * np.eye(3)])
        s = np.linalg.lstsq(rows, np.concatenate([blur**2 * trust, [1e-3, 0.0, 1e-3]]), rcond=None)[0]
        off = np.abs(blur**2 - terms @ s)
        trust = 1.0 / (1.0 + (off / (1.4826 * np.median(off) + 1e-3)) ** 2)
    values, axes = np.linalg.eigh(np.array([[s[0], s[1]], [s[1], s[2]]]))
    return np.asarray(axes @ np.diag(np.clip(values, SHARPEST**2, SOFTEST**2)) @ axes.T)


def _excess(points: Points, sigma: Floats, spacing: float) -> float:
    """How much more the points scatter about a smooth curve than their standard errors say: wood is no white noise.

    The curve is a parabola over SCATTER_MM to either side of each point; the median keeps corners and fillets out.
    """
    reach = max(4, round(SCATTER_MM / spacing))
    t = np.arange(-reach, reach + 1) / reach
    basis = np.stack([np.ones_like(t), t, t**2], axis=1)
    weights = np.linalg.pinv(basis)[0]
    curve = sum(w * np.roll(points, reach - k, axis=0) for k, w in enumerate(weights))
    off = np.abs(np.einsum("ni,ni->n", points - curve, outward(points, 2))) / np.sqrt(1.0 - weights[reach])
    return float(np.clip(1.4826 * np.median(off / sigma), 1.0, 6.0))
