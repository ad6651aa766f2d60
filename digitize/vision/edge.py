"""Sub-pixel places of the edge, in linear light, each with its standard error.

Every point of the outline has a profile: light sampled in the original photo across the imaged edge. The model of a
profile is a step at the upper arris, blurred by the lens, and, where the wall is seen, a second step at the lower
arris, whose distance from the first the geometry tells; where the arris is eased, a third one lies inside, at the end
of the flat face. The light may change slowly on either side (shading, figure), no more sharply than the lens shows; a
contact shadow fades away from the foot. The place is fitted by least squares; the levels have weak priors that decide
only where the wall is narrower than the blur.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from digitize.model.segment import Points
from digitize.vision.photo import LINEAR_LIGHT, Image
from digitize.vision.thickness import Heights
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

FULL = 65535
LIGHT = np.round(FULL * LINEAR_LIGHT).astype(np.uint16)  # sRGB value -> linear light


SHADE = (0.02, 0.08)  # per px: how fast figure may change the part's light, and a contact shadow the bench's
FADE_PX = 4.0  # over which a contact shadow fades
BEND = 0.5  # px for each px of blur: so much of the shadow's slope may be missing, or too much, at the foot
FOOT_PLAY = 0.1  # px for each px of wall, at most FOOT_PLAY_PX: the shadow at a wall's foot moves the lower step
FOOT_PLAY_PX = 0.25
WALL_LIGHT = (0.45, 0.35)  # light of a wall for that of the face above it, and its spread, before the part tells
WALL_APART_PX = 4.0  # a foot so far beyond the profile's reach is left out of it
NARROW_PX = 2.0  # walls at least so wide tell their own light
ROUNDS = 6  # of Gauss and Newton; most profiles settle in four
APART = 3.0  # times the blur: so near to another edge a profile shows that edge too
LEAST_RIM_PX = 0.1  # an arris is eased all round, also where it is hardly seen
RIM_LIGHT = (0.0, 0.35)  # of an eased arris less that of the face, for the latter, and its spread
RIM_PLAY = 0.3  # its width against what was told
LEAST_LIGHT = 0.02  # of full white: black parts still have some


@dataclass(frozen=True)
class Rays:
    """Where the profiles of N outline points lie in the photo.

    base : (N, 2) px, the upper arris as now believed
    across : (N, 2) unit vectors in the photo, outward and square to the imaged edge
    px_per_mm : (N,) px along ``across`` for each mm along the outline's normal
    wall : (N,) px from the upper to the lower arris, 0 where the wall is hidden
    rim : (N,) px from the upper arris in to where the flat face ends, 0 where the arris is not eased
    down : (N, 2) px from the upper to the lower arris of each point itself
    """

    base: Points
    across: Points
    px_per_mm: Floats
    wall: Floats
    rim: Floats
    down: Points


def rays(view: View, xy: Points, normals: Points, heights: Heights) -> Rays:
    """Rays of true outline points (N, 2), mm, with outward normals (N, 2)."""
    h = 0.05  # mm: small against any curve, large against rounding
    along = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    stack = np.concatenate([xy, xy + h * normals, xy - h * normals, xy + h * along, xy - h * along])
    base, out, inn, ahead, back = view.image_from_bench(stack, heights.top).reshape(5, -1, 2)
    edge = ahead - back
    across = np.stack([edge[:, 1], -edge[:, 0]], axis=1)
    across *= np.sign(np.einsum("ni,ni->n", across, out - inn))[:, None]
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    px_per_mm = np.einsum("ni,ni->n", across, out - inn) / (2 * h)
    down = np.zeros_like(base)
    if heights.foot is not None:
        down = view.image_from_bench(xy, heights.foot) - base
    wall = np.maximum(np.einsum("ni,ni->n", across, down), 0.0)
    rim = np.zeros(len(xy))
    if heights.eased > 0:
        face = view.image_from_bench(xy - heights.eased * normals, heights.top + heights.eased)
        rim = np.maximum(np.einsum("ni,ni->n", across, base - face), LEAST_RIM_PX)
    return Rays(base, across, px_per_mm, wall, rim, down)


def ending_at_corners(r: Rays) -> Rays:
    """The rays of a closed loop's points, with walls that end where the loop turns out of sight.

    A ray that is not square to the bench meets the foot not of its own point but of one farther along the loop. Where
    the loop turns a corner before that, to where its wall is hidden, the ray leaves the wall at the corner's upright.
    """
    n, wall, seen = len(r.base), r.wall.copy(), r.wall > 0
    reach = np.arange(1, min(n, math.ceil(np.hypot(*r.down.T).max(initial=0.0)) + 2))
    for way in (1, -1):
        for corner in np.flatnonzero(~seen & np.roll(seen, way)):
            i = (corner - way * reach) % n
            i = i[np.logical_and.accumulate(seen[i])]
            start, down = r.base[corner] - r.base[i], r.down[corner]
            across = r.across[i]
            cross = across[:, 0] * down[1] - across[:, 1] * down[0]
            with np.errstate(divide="ignore", invalid="ignore"):
                at = (start[:, 0] * down[1] - start[:, 1] * down[0]) / cross
                share = (start[:, 0] * across[:, 1] - start[:, 1] * across[:, 0]) / cross
            meets = (at > 0.0) & (share > 0.0) & (share < 1.0)
            wall[i[meets]] = np.minimum(wall[i[meets]], at[meets])
    return replace(r, wall=wall)


def profiles(image: npt.NDArray[np.uint16] | npt.NDArray[np.float32] | Image, r: Rays, v: Floats) -> Floats:
    """Values (N, K, C) of ``image`` at the distances v (K,), px, along each ray (cubic interpolation)."""
    at = r.base[:, None] + v[None, :, None] * r.across[:, None]
    x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    values = cv2.remap(image, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, dtype=float).reshape(len(at), len(v), -1)


@dataclass(frozen=True)
class ProfileFits:
    """The fitted model of N profiles, distances in px along the profile.

    place : (N,) of the upper arris; ``sigma`` (N,) its standard error, of which a shadow that bends otherwise than the
        model's is a part; ``blur`` (N,) standard deviation of the blur
    light : (N,) of the face; ``step``, ``rim_step`` (N,) changes of light at the upper arris and where the flat face
        ends; ``noise`` (N,) of the residuals
    """

    place: Floats
    sigma: Floats
    blur: Floats
    light: Floats
    step: Floats
    rim_step: Floats
    noise: Floats


def reach_px(blur: Floats) -> Floats:
    """How far to either side of an arris, px, its profile is fitted."""
    return 3.0 + 2.2 * blur


def fit_profiles(
    y: Floats,
    v: Floats,
    wall: Floats,
    blur: Floats,
    blur_spread: float = 0.0,
    wall_light: tuple[npt.ArrayLike, npt.ArrayLike] = WALL_LIGHT,
    shade: tuple[float, float] = SHADE,
    rim: npt.ArrayLike = 0.0,
    rim_light: tuple[npt.ArrayLike, float] = RIM_LIGHT,
    room: tuple[npt.ArrayLike, npt.ArrayLike] = (np.inf, np.inf),
) -> ProfileFits:
    """Fit the model to profiles y (N, K) sampled at v (K,), one px apart, near v = 0.

    wall : (N,) px from the upper to the lower step, 0 where there is none
    rim : px, one or (N,), from the upper step in to the end of the flat face, 0 where that is the upper step
    rim_light : prior of how much the light changes there, for the face's light: mean, one or (N,), and deviation
    blur : (N,) px, kept when ``blur_spread`` is 0, else a prior of that standard deviation
    wall_light : prior of the light between the steps, for the face's light: mean and standard deviation
    shade : prior standard deviations of the slopes inside and beyond, relative per px; even light is worth a factor of
        1.5 to 2 in ``sigma``, but shadows that are taken for even light move the edge
    room : px, one or (N,) each, to the next edge inside and beyond; samples past the middle are left out where they
        show that edge too
    """
    reach, rim = reach_px(blur)[:, None], np.broadcast_to(np.asarray(rim, dtype=float), len(y))
    clear_inside, clear_beyond = (_own_side(width, blur)[:, None] for width in room)
    outer = np.where(wall[:, None] > reach + WALL_APART_PX, reach, wall[:, None] + reach)
    whole = ((v >= -reach - rim[:, None]) & (v <= outer)).sum(axis=1)
    begin = -np.minimum(reach + rim[:, None], clear_inside)
    inside = (v >= begin) & (v < np.maximum(-1.5 * blur[:, None] - rim[:, None], begin + 1.0))
    weight = ((v >= begin) & (v <= np.minimum(outer, clear_beyond))).astype(float)
    left_out = whole - weight.sum(axis=1)
    face = (y * inside).sum(axis=1) / inside.sum(axis=1)
    beyond = np.take_along_axis(y, (weight * np.arange(1, len(v) + 1)).argmax(axis=1)[:, None], axis=1)[:, 0]
    scale, far = np.abs(face) + LEAST_LIGHT, np.abs(beyond) + LEAST_LIGHT
    n, has, eased = len(y), wall > 0, rim > 0
    play = np.clip(FOOT_PLAY * wall, 1e-3, FOOT_PLAY_PX)
    middle = np.zeros((n, 10))
    wall_mean, wall_spread = np.asarray(wall_light[0], dtype=float), np.asarray(wall_light[1], dtype=float)
    middle[:, 1] = np.where(has, (wall_mean - 1.0) * face, 0.0)
    middle[:, 6] = blur
    precision = np.empty((n, 10))
    precision[:, 0] = 0.0
    precision[:, 1] = np.where(has, (wall_spread * scale) ** -2, 0.0)
    precision[:, 2] = np.where(has, 1e-6, 1e8)
    precision[:, 3] = (shade[0] * scale) ** -2
    precision[:, 4] = (shade[1] * far) ** -2
    precision[:, 5] = 1e-2
    precision[:, 6] = blur_spread**-2 if blur_spread > 0 else 1e8
    precision[:, 7] = play**-2
    middle[:, 8] = np.where(eased, np.asarray(rim_light[0], dtype=float) * face, 0.0)
    precision[:, 8] = np.where(eased, (rim_light[1] * scale) ** -2, 1e8)
    precision[:, 9] = np.where(eased, np.maximum(RIM_PLAY * rim, 1e-3) ** -2, 1e8)
    noise = np.full(n, 0.01)
    x = np.zeros((n, 10))
    x[:, 6] = blur
    for turn in range(ROUNDS):
        model, jacobian = _steps(x, v, wall, rim)
        if turn == 0:
            jacobian[:, :, [5, 6, 7, 9]] = 0.0  # the levels first
        residual = (y - model) * weight
        if turn > 1:
            unseen = left_out * np.median(noise) ** 2  # what is left out tells no noise: it has the usual one
            noise = np.sqrt(((residual**2).sum(axis=1) + unseen) / np.maximum(whole - 5.0, 1.0)) + 1e-6
        weighted = np.swapaxes(jacobian * (weight / noise[:, None] ** 2)[:, :, None], 1, 2)
        normal = weighted @ jacobian
        normal[:, range(10), range(10)] += precision
        pull = (weighted @ residual[:, :, None])[:, :, 0] + precision * (middle - x)
        move = np.linalg.solve(normal, pull[:, :, None])[:, :, 0]
        move[:, [5, 6, 7, 9]] = np.clip(move[:, [5, 6, 7, 9]], -0.7, 0.7)
        x += move
        x[:, 6] = np.clip(x[:, 6], 0.35, 8.0)
    inverse = np.linalg.inv(normal)
    gain = (inverse[:, None, 5] @ weighted)[:, 0]
    sigma = np.hypot(np.sqrt(inverse[:, 5, 5]), (gain * _bent(x, v, wall)).sum(axis=1))
    return ProfileFits(x[:, 5], sigma, x[:, 6], x[:, 0], x[:, 1], x[:, 8], noise)


def _own_side(width: npt.ArrayLike, blur: Floats) -> Floats:
    """How far (N,) a profile is its own edge's, that has another edge at ``width``."""
    width = np.asarray(width, dtype=float)
    return np.asarray(np.maximum(0.5 * width, width - APART * blur))


def _bent(x: Floats, v: Floats, wall: Floats) -> Floats:
    """Light (N, K) that a contact shadow may differ by from its model, close to the foot."""
    _, _, _, _, outer, place, blur, play, _, _ = x.T[:, :, None]
    b = v - place - wall[:, None] - play
    return np.asarray(BEND * blur * outer * np.exp(-0.5 * (b / blur) ** 2))


def _steps(x: Floats, v: Floats, wall: Floats, rim: Floats) -> tuple[Floats, Floats]:
    """Model (N, K) and its derivatives (N, K, 10) by face, step, foot step, inner and outer slope, place, blur, play of
    the foot, rim step, play of the rim."""
    _, step, foot, inner, outer, place, blur, play, rim_step, rim_play = x.T[:, :, None]
    a = v - place
    b = a - wall[:, None] - play
    c = a + rim[:, None] + rim_play
    rise, rise_foot, rise_rim = ndtr(a / blur), ndtr(b / blur), ndtr(c / blur)
    bump, bump_foot, bump_rim = (np.exp(-0.5 * (t / blur) ** 2) / (np.sqrt(2 * np.pi) * blur) for t in (a, b, c))
    near = a * (1.0 - rise) - blur**2 * bump
    fading = np.exp(0.5 * (blur / FADE_PX) ** 2 - b / FADE_PX) * ndtr(b / blur - blur / FADE_PX)
    far = FADE_PX * (rise_foot - fading)
    model = x[:, :1] + step * rise + foot * rise_foot + rim_step * rise_rim + inner * near + outer * far
    by_foot = -foot * bump_foot - outer * fading
    by_place = -step * bump - rim_step * bump_rim - inner * (1.0 - rise) + by_foot
    by_blur = -(step * bump * a + foot * bump_foot * b + rim_step * bump_rim * c) / blur
    by_blur += blur * (outer * (bump_foot - fading / FADE_PX) - inner * bump)
    columns = [np.ones_like(a), rise, rise_foot, near, far, by_place, by_blur, by_foot, rise_rim, rim_step * bump_rim]
    return model, np.stack(columns, axis=2)
