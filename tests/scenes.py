"""A small scene maker: quick synthetic photos of parts beside printed sheets, with exact truth.

World: mm, z = 0 is the face of the sheets, z up, the bench lies at -PAPER_MM; a part stands on the bench, so its upper
face is at thickness - PAPER_MM. Every edge is drawn with its exact area in each pixel (a scan conversion, exact along
x, ROWS sub-rows along y) in linear light; then come lens blur, motion, exposure, the sRGB curve and noise.

    scene = Scene(parts=(Part(rectangle(120, 80), 6),), sheets=(laid(coded_sheet(0), (150, 0), 5),))
    photo, view = render(scene), scene            # the scene itself maps bench <-> image, exactly
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np

from digitize.model.camera import Camera
from digitize.model.segment import Points, moved_points
from digitize.model.sheet import MARKERS_EACH, PAPER_MM, Sheet
from digitize.vision.checkerboard import Sighting
from digitize.vision.photo import Photo
from digitize.vision.view import Place, View
from tests.surfaces import MATERIALS, bench_colour, coverage, wood

A4, LETTER = (210.0, 297.0), (215.9, 279.4)


@dataclass(frozen=True)
class Part:
    """A straight-walled prism: outer loop, then holes, polylines (N, 2) in bench mm, either way round."""

    loops: tuple[Points, ...]
    thickness: float
    material: str = "birch"
    grain: float = 0.3  # direction of the figure, radians
    eased: float = 0.0  # mm: the upper arris is taken off so far, across and down


@dataclass(frozen=True)
class LaidSheet:
    """A sheet on the bench: its own frame is turned by ``turn`` (radians), then shifted (mm)."""

    sheet: Sheet
    turn: float
    shift: tuple[float, float]
    printed: float = 1.0  # true size over the size that ``sheet`` tells
    page: tuple[float, float] | None = A4  # mm; None: the squares lie bare on the bench
    curl: float = 0.0  # mm: height of the bump of a page that does not lie flat


def laid(sheet: Sheet, centre: tuple[float, float], degrees: float = 0.0, **more) -> LaidSheet:
    """A sheet whose printed squares are centred at ``centre``."""
    turn, (w, h), s = math.radians(degrees), sheet.size, more.get("printed", 1.0)
    shift = np.asarray(centre) - moved_points([[w / 2 * s, -h / 2 * s]], turn)[0]
    return LaidSheet(sheet, turn, (float(shift[0]), float(shift[1])), **more)


@dataclass(frozen=True)
class Scene:
    """All of one photo. Angles in degrees; ``light`` is the shadow's shift in mm per mm of height."""

    parts: tuple[Part, ...] = ()
    sheets: tuple[LaidSheet, ...] = ()
    bench: str = "cloth"  # cloth, mat, planks, dark, paper
    size: tuple[int, int] = (1600, 1200)
    focal: float = 1250.0
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    off_centre: tuple[float, float] = (0.0, 0.0)
    height: float = 600.0
    tilt: float = 8.0
    azimuth: float = -90.0
    roll: float = 0.0
    target: tuple[float, float] = (0.0, 0.0)
    light: tuple[float, float] = (0.5, 0.35)
    shadow: tuple[float, float] = (0.45, 0.4)  # depth, and softness in mm per mm of height
    window: tuple[float, float, float] | None = None  # a hard shadow's border: distance mm, direction, depth
    glare: tuple[float, float, float, float] | None = None  # bench x, y, radius mm, strength
    blur: float = 0.7  # Gaussian sigma, px
    motion: tuple[float, float] = (0.0, 0.0)  # length px, direction in the image (x right, y down)
    exposure: float = 1.0
    noise: float = 1.5  # grey levels after the sRGB curve
    camera: Camera = field(init=False)

    def __post_init__(self) -> None:
        (w, h), (dx, dy) = self.size, self.off_centre
        centre = ((w - 1) / 2 + dx, (h - 1) / 2 + dy)
        object.__setattr__(self, "camera", Camera(self.size, (self.focal, self.focal), centre, self.distortion))

    @cached_property
    def position(self) -> Points:
        """The camera's centre (3,), mm."""
        a, run = math.radians(self.azimuth), self.height * math.tan(math.radians(self.tilt))
        return np.array([self.target[0] + run * math.cos(a), self.target[1] + run * math.sin(a), self.height])

    @cached_property
    def rotation(self) -> Points:
        """camera_from_world, 3 x 3: rows are image right, image down, forward."""
        forward = np.array([*self.target, 0.0]) - self.position
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        down, c, s = np.cross(forward, right), math.cos(math.radians(self.roll)), math.sin(math.radians(self.roll))
        return np.stack([c * right + s * down, c * down - s * right, forward])

    def image_from_bench(self, xy: Points, z: float | Points = 0.0) -> Points:
        """Bench points (N, 2) mm at height z -> image points (N, 2) px."""
        xy = np.asarray(xy, float).reshape(-1, 2)
        xyz = np.column_stack([xy, np.broadcast_to(z, len(xy))])
        t, lens = -self.rotation @ self.position, (self.camera.matrix, np.array(self.camera.distortion))
        return cv2.projectPoints(xyz, cv2.Rodrigues(self.rotation)[0], t, *lens)[0].reshape(-1, 2)

    def bench_from_image(self, px: Points, z: float = 0.0) -> Points:
        """Image points (N, 2) px -> bench points (N, 2) mm at height z."""
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-10)
        lens = (self.camera.matrix, np.array(self.camera.distortion))
        px = np.ascontiguousarray(px, float).reshape(-1, 1, 2)
        ideal = cv2.undistortPoints(px, *lens, criteria=stop).reshape(-1, 2)
        ray = np.column_stack([ideal, np.ones(len(ideal))]) @ self.rotation
        return self.position[:2] + ray[:, :2] * ((z - self.position[2]) / ray[:, 2])[:, None]


def rectangle(width: float, height: float, centre=(0.0, 0.0), degrees: float = 0.0, holes=()) -> tuple[Points, ...]:
    """Loops of a rectangle; ``holes`` are loops in its own frame (origin at its centre)."""
    w, h = width / 2, height / 2
    loops = (np.array([[-w, -h], [w, -h], [w, h], [-w, h]]), *holes)
    return tuple(moved_points(loop, math.radians(degrees), centre) for loop in loops)


def circle(diameter: float, centre=(0.0, 0.0), points: int = 180) -> Points:
    """A closed polygon (N, 2) whose mean radius is that of the circle."""
    a = np.arange(points) * 2 * math.pi / points
    return np.asarray(centre) + diameter / 2 * np.stack([np.cos(a), np.sin(a)], axis=1)


def dense(loop: Points, step: float = 2.0) -> Points:
    """The loop with points at most ``step`` mm apart, so that the lens may bend its edges."""
    nexts = np.roll(loop, -1, axis=0)
    pieces = np.maximum(1, np.ceil(np.linalg.norm(nexts - loop, axis=1) / step)).astype(int)
    return np.vstack([a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(loop, nexts, pieces, strict=True)])


def oriented(part: Part) -> list[Points]:
    """Loops of a part with points every 2 mm, outer counter-clockwise, holes clockwise."""
    loops = [dense(loop) for loop in part.loops]
    area = [np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]) for p in loops]
    return [p if (a > 0) == (n == 0) else p[::-1] for n, (p, a) in enumerate(zip(loops, area, strict=True))]


def silhouette(scene: Scene, part: Part) -> tuple[Points, Points, Points]:
    """Coverage (H, W) of the upper face, of face, eased arrises and visible walls together, and the latters' light."""
    top, light = part.thickness - PAPER_MM, np.array(scene.light) / (math.hypot(*scene.light) + 1e-9)
    loops, sides, bright, faces = oriented(part), [], [], []
    lip = top - part.eased
    for p in loops:
        q, o = np.roll(p, -1, axis=0), np.roll(p, 1, axis=0)
        n, before = (np.stack([d[:, 1], -d[:, 0]], axis=1) / np.hypot(*d.T)[:, None] for d in (q - p, p - o))
        inner = p - part.eased * (n + before) / (1 + (n * before).sum(1))[:, None]
        seen = np.flatnonzero((n * (scene.position[:2] - p)).sum(1) > 1e-9)
        face, upper, lower = (scene.image_from_bench(at, z) for at, z in ((inner, top), (p, lip), (p, -PAPER_MM)))
        faces.append(face)
        follow = (seen + 1) % len(p)
        sides += list(np.stack([upper[seen], upper[follow], lower[follow], lower[seen]], axis=1))
        bright += list(0.55 - 0.2 * (n[seen] @ light))
        if part.eased:
            sides += list(np.stack([face, np.roll(face, -1, axis=0), np.roll(upper, -1, axis=0), upper], axis=1))
            bright += list(0.9 - 0.25 * (n @ light))
    face = coverage(faces, [1] + [-1] * (len(loops) - 1), scene.size)
    side = coverage(sides, 1.0, scene.size)
    shade = coverage(sides, bright, scene.size) / np.maximum(side, 1e-3)
    return face, np.clip(face + side, 0, 1), shade


def plane_map(scene: Scene, z: float) -> tuple[Points, Points]:
    """Bench coordinates x, y (H, W) float32 of every pixel at height z: exact every 16 px, linear between."""
    (w, h), step = scene.size, 16
    gx, gy = np.meshgrid(np.arange(-step, w + 2 * step, step), np.arange(-step, h + 2 * step, step))
    grid = scene.bench_from_image(np.stack([gx.ravel(), gy.ravel()], axis=1), z).astype(np.float32)
    px, py = np.meshgrid((np.arange(w, dtype=np.float32) + step) / step, (np.arange(h, dtype=np.float32) + step) / step)
    return tuple(cv2.remap(grid[:, k].reshape(gx.shape), px, py, cv2.INTER_LINEAR) for k in (0, 1))


def black_cells(sheet: Sheet) -> Points:
    """Black rectangles (N, 4) as x0, y0, x1, y1 of the print, nominal mm, x right, y down from the upper left."""
    s, dictionary = sheet.square, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    cells, marked = [], {}
    if sheet.number is not None:
        ids = np.arange(MARKERS_EACH) + MARKERS_EACH * sheet.number
        board = cv2.aruco.CharucoBoard((sheet.across, sheet.down), s, sheet.marker, dictionary, ids)
        for quad, number in zip(board.getObjPoints(), np.ravel(board.getIds()), strict=True):
            x0, y0 = np.asarray(quad).reshape(-1, 3)[:, :2].min(axis=0)
            marked[int(x0 // s), int(y0 // s)] = True
            bits, m = cv2.aruco.generateImageMarker(dictionary, int(number), 7), sheet.marker / 7
            cells += [(x0 + c * m, y0 + r * m, x0 + (c + 1) * m, y0 + (r + 1) * m) for r, c in np.argwhere(bits == 0)]
    for c, r in np.ndindex(sheet.across, sheet.down):
        if (c, r) not in marked and (sheet.number is not None or (c + r) % 2 == 0):
            cells.append((c * s, r * s, (c + 1) * s, (r + 1) * s))
    return np.array(cells)


def sheet_points(lay: LaidSheet, own: Points) -> tuple[Points, Points]:
    """Points (N, 2) of the sheet's own frame on the bench, and their height over z = 0 (a bump where it curls)."""
    across = own[:, 0] / (lay.sheet.size[0] * lay.printed)
    return moved_points(own, lay.turn, lay.shift), lay.curl * np.clip(across, 0, 1.2) ** 2


def lay_sheet(scene: Scene, lay: LaidSheet, ground: Points) -> Points:
    """The bench's reflectance with the sheet's paper and ink on it."""
    scale = np.array(lay.sheet.scale) * lay.printed
    if lay.page:
        (w, h), (pw, ph) = np.array(lay.sheet.size) * lay.printed, lay.page
        own = dense(np.array([[w - pw, ph - h], [w + pw, ph - h], [w + pw, -h - ph], [w - pw, -h - ph]]) / 2, 10)
        paper = coverage([scene.image_from_bench(*sheet_points(lay, own))], 1, scene.size)[..., None]
        ground = ground * (1 - paper) + np.float32([0.80, 0.80, 0.79]) * paper
    x0, y0, x1, y1 = black_cells(lay.sheet).T
    corners = np.stack([x0, -y0, x1, -y0, x1, -y1, x0, -y1], axis=1).reshape(-1, 4, 2) * scale
    side = np.linspace(0, 1, 4, endpoint=False)[:, None]  # the lens and the curl bend the sides of a square
    own = np.concatenate([corners[:, [k]] * (1 - side) + corners[:, [(k + 1) % 4]] * side for k in range(4)], axis=1)
    px = scene.image_from_bench(*sheet_points(lay, own.reshape(-1, 2))).reshape(len(own), -1, 2)
    ink = np.clip(coverage(list(px), 1, scene.size), 0, 1)[..., None]
    return ground * (1 - ink) + np.float32(0.025) * ink


def cast_shadow(scene: Scene, part: Part) -> Points:
    """Light that reaches the bench (H, W), 0..1: the cast shadow and the contact shadow at the foot."""
    px_per_mm, lit = scene.focal / scene.height, np.zeros(scene.size[::-1], np.float32)
    loops, sign = oriented(part), [1] + [-1] * (len(part.loops) - 1)
    for rise in np.linspace(0, part.thickness, 5):
        moved = [scene.image_from_bench(p - np.array(scene.light) * rise, -PAPER_MM) for p in loops]
        lit = np.maximum(lit, coverage(moved, sign, scene.size))
    depth, softness = scene.shadow
    cast = cv2.GaussianBlur(lit, (0, 0), max(0.5, softness * part.thickness * px_per_mm))
    contact = cv2.GaussianBlur(lit, (0, 0), max(0.6, 0.12 * part.thickness * px_per_mm))
    return (1 - depth * cast) * (1 - 0.3 * contact)


def render(scene: Scene, seed: int = 0) -> Photo:
    """The photo of a scene; the same seed gives the same pixels."""
    ground = bench_colour(scene.bench, *plane_map(scene, -PAPER_MM), seed)
    for lay in scene.sheets:
        ground = lay_sheet(scene, lay, ground)
    x, y = plane_map(scene, 0.0)
    for part in scene.parts:
        ground = ground * cast_shadow(scene, part)[..., None]
    for n, part in enumerate(scene.parts):
        (colour, figure), (face, all_of_it, shade) = MATERIALS[part.material], silhouette(scene, part)
        tone = wood(x, y, part.grain, figure, seed + 10 + n)
        mix = tone * face + shade * np.clip(all_of_it - face, 0, 1)
        ground = ground * (1 - all_of_it)[..., None] + mix[..., None] * np.float32(colour)
    light = 1 + 0.0004 * (x - 0.6 * y)
    if scene.window:
        distance, direction, depth = scene.window
        a, soft = math.radians(direction), 1.0
        light *= 1 - depth / (1 + np.exp(-np.clip((x * math.cos(a) + y * math.sin(a) - distance) / soft, -40, 40)))
    seen = ground * light[..., None]
    if scene.glare:
        gx, gy, radius, strength = scene.glare
        seen += strength * np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * radius**2))[..., None]
    return Photo(develop(scene, seen * scene.exposure, seed), "synthetic")


def develop(scene: Scene, light: Points, seed: int) -> Points:
    """Linear light (H, W, 3) -> what the phone stores: blur, motion, sRGB (IEC 61966-2-1), noise, 8 bits."""
    length, direction = scene.motion
    if scene.blur > 0:
        light = cv2.GaussianBlur(light, (0, 0), scene.blur)
    if length > 0:
        n, a = math.ceil(length) // 2 * 2 + 5, math.radians(direction)
        along = np.linspace(-length / 2, length / 2, 65)
        ends = np.stack([n / 2 + along * math.cos(a), n / 2 + along * math.sin(a)], axis=1)
        kernel = np.histogram2d(ends[:, 1], ends[:, 0], bins=n, range=[[0, n], [0, n]])[0]
        light = cv2.filter2D(light, -1, (kernel / kernel.sum()).astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    light = np.clip(light, 0, 1)
    stored = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    stored += np.random.default_rng(seed).normal(size=(*stored.shape[:2], 3)).astype(np.float32) * scene.noise
    return np.clip(np.round(stored), 0, 255).astype(np.uint8)


def true_view(scene: Scene) -> View:
    """The view that a perfect solve would give; its bench frame is the scene's own."""
    camera, t = scene.camera, -scene.rotation @ scene.position
    turn = np.asarray(cv2.Rodrigues(scene.rotation)[0]).ravel()
    places = tuple(Place(*lay.shift, lay.turn, math.log(lay.printed)) for lay in scene.sheets)
    lens = [*camera.focal, *camera.centre, *camera.distortion]
    parameters = np.array([*turn, *t, *lens, *(v for place in places for v in place)])
    sightings = tuple(true_sighting(scene, lay) for lay in scene.sheets)
    spare = {"covariance": np.zeros((len(parameters),) * 2), "rms_px": 0.0, "residuals": (), "weights": ()}
    return View(camera, scene.rotation, t, sightings, places, parameters, **spare)


def true_sighting(scene: Scene, lay: LaidSheet) -> Sighting:
    """All grid points of a sheet that lie in the photo, where they truly are."""
    px = scene.image_from_bench(*sheet_points(lay, lay.sheet.grid_points() * lay.printed))
    ids = np.flatnonzero(((px > 0) & (px < np.array(scene.size) - 1)).all(axis=1))
    n = len(ids)
    return Sighting(lay.sheet, ids, px[ids], np.full(n, 0.01), n, np.full((n, 2), scene.blur), np.full(n, 180.0))
