"""How true and how fair fitted outlines are, beside a smoothing spline and a polyline simplifier on the same points.

    python -m tests.bench.fitting [PRACTICE_FOLDER] [--only NAME] [--skip-synthetic] [--ensemble MEMBERS] [--sizes]

First synthetic curves with white noise, at 2 000 and 20 000 points; then, where the folder is given (truth.json,
photos/, truth/), the contours traced from its photos. Times are CPU seconds of one run. With --ensemble, each traced
contour is fitted many times instead, disturbed by less than photos differ: what changes then was left to chance. With
--sizes, the sizes that a person would measure are compared with the drawn ones, and with what the program itself says
that they are uncertain by.
"""

import argparse
import json
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.interpolate import splev, splprep
from shapely import LineString, Polygon, STRtree, linestrings
from shapely import points as points_of

from digitize.files import read_photo
from digitize.fitting import fit_outline
from digitize.fitting.adjust import ArcFit
from digitize.fitting.quality import turning_points
from digitize.meaning.meanings import PLANE_COVERAGE
from digitize.meaning.measured import Measured, measured
from digitize.meaning.regular import EdgeNoise
from digitize.meaning.relation import Kind
from digitize.model.errors import DigitizeError
from digitize.model.outline import Contour
from digitize.model.segment import Arc, Line
from digitize.model.sheet import plain_sheet
from digitize.vision.trace import Setup, trace_photo
from tests.bench.contours_on_disk import contours_of
from tests.bench.scenes_on_disk import Scene, scenes
from tests.fitting.shapes import Roughness, catalogue, roughened, sharp_points

SIGMA_MM = 0.02
COUNTS = (2000, 20000)
STEP_MM = 0.25  # between the places where curves are compared
FLATTEST_TRUTH = 3e-4  # 1/mm: truth is told to 0.1 um, in chords of about a millimetre
CORNER_DEG = 12.0  # chords of a true fillet turn by less
SAME_MM = 3.0  # points farther from the truth than this belong to something else
DRAWN = {"gauge": 4, "disc": 1, "ring": 2, "bracket": 10, "foot": 10, "splat": 19, "comb": 40, "rail": 16}
FIELD_MM = (0.010, 0.020)  # RMS of the smooth field that disturbs a contour
ALONG_MM = (5.0, 20.0)  # over which the field goes together
LOST = 0.05  # share of points left out
# Blur cuts tips short: they are not counted in the largest deviation. One of 20 degrees turns by this much in chords.
TIP_DEG = 145.0
TIP_MM = 10.0  # around them
TIP_WIDTH_MM = 0.4  # a tip may be blunted by as much
HEAD = "shape              points  pieces       raw    fit  ratio    max  extrema  break      s"
MEMBERS_HEAD = (
    "                       RMS           worst  worst   largest              pieces       extrema\n"
    "scene                  median  worst /median /raw  median  worst median worst median worst  break unfair  CPU s"
)
SIZES_HEAD = "scene shape    what                       how many  largest off  its U   largest U  off/U  limit  holds"
GAUGE_MM, GAUGE_LIMIT_MM, GAUGE_LIMIT_DEG = (200.0, 120.0), 0.05, 0.05
DISC_MM, RING_MM, DIAMETER_LIMIT_MM, CONCENTRIC_LIMIT_MM = (150.0,), (160.0, 80.0), 0.06, 0.03
SLOT_MM, SLOT_LIMIT_MM = 8.0, 0.06
RAIL_RADII_MM = (6.0, 8.0, 9.0, 12.0)  # each within its own uncertainty
FOOT_RADII_MM, FOOT_LIMIT_MM = (3.0, 6.0), 0.15
OTHERS = " | spline: knots  rms     s | simplified: pieces, rms, s"


Start = tuple[float, np.ndarray, np.ndarray]
"""Turn, and the middles of loops and truth, that bring loops near the truth."""


@dataclass(frozen=True)
class Rival:
    """What another way made of the same points: how many numbers or pieces, dense loops (N, 2), CPU seconds."""

    pieces: int
    loops: list[np.ndarray]
    seconds: float


def timed(work: Callable):
    began = time.process_time()
    result = work()
    return result, time.process_time() - began


def smoothing_spline(contours: list[Contour]) -> Rival:
    """scipy's periodic smoothing spline alone, told the noise."""

    def work():
        found = []
        for c in contours:
            x, y = np.vstack([c.points, c.points[:1]]).T
            w = np.append(1 / c.sigma, 1 / c.sigma[0])
            found.append(splprep([x, y], w=w, s=len(x), per=True)[0])
        return found

    splines, seconds = timed(work)
    u = np.linspace(0, 1, 20001)[:-1]
    return Rival(sum(len(t[0]) - 7 for t in splines), [np.column_stack(splev(u, t)) for t in splines], seconds)


def simplified(contours: list[Contour]) -> Rival:
    """shapely's simplifier (Douglas and Peucker) at two standard deviations of the noise."""
    rings, seconds = timed(
        lambda: [
            np.asarray(Polygon(c.points).simplify(2 * float(np.median(c.sigma))).exterior.coords) for c in contours
        ]
    )
    return Rival(sum(len(r) - 1 for r in rings), [r[:-1] for r in rings], seconds)


def ring(loop: np.ndarray) -> LineString:
    return LineString(np.vstack([loop, loop[:1]]))


def even(loop: np.ndarray) -> np.ndarray:
    """Places on a closed polyline, evenly spaced."""
    line = ring(loop)
    at = np.arange(0, line.length, STEP_MM)
    return np.array([p.coords[0] for p in line.interpolate(at)])


def moved(p: np.ndarray, angle: float, shift: np.ndarray) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return p @ np.array([[c, s], [-s, c]]) + shift


def placed(loops: list[np.ndarray], truth: list[np.ndarray], steps: int) -> list[np.ndarray]:
    """Points (each loop's (N, 2)), moved rigidly onto the true loops by least squares from where they are."""
    lines = [ring(t) for t in truth]
    for _ in range(steps):
        rows, rights = [], []
        for p, line in zip(loops, lines, strict=True):
            at = line.project(points_of(p))
            foot, ahead = (np.array([q.coords[0] for q in line.interpolate((at + d) % line.length)]) for d in (0, 1e-4))
            normal = (ahead - foot)[:, ::-1] * (-1, 1) / 1e-4
            near = np.linalg.norm(p - foot, axis=1) < max(SAME_MM, 3 * np.median(np.linalg.norm(p - foot, axis=1)))
            turn = normal[:, 1] * p[:, 0] - normal[:, 0] * p[:, 1]
            rows.append(np.column_stack([turn, normal])[near])
            rights.append(((foot - p) * normal).sum(axis=1)[near])
        angle, x, y = np.linalg.lstsq(np.vstack(rows), np.concatenate(rights), rcond=None)[0]
        loops = [moved(p, angle, np.array([x, y])) for p in loops]
        if abs(angle) * 300 + abs(x) + abs(y) < 1e-5:
            break
    return loops


def brought(loops: list[np.ndarray], truth: list[np.ndarray]) -> Start:
    """Turn, and middles of loops and truth, that bring loops near the truth from anywhere."""
    a, b = (np.asarray(Polygon(x[0]).centroid.coords[0]) for x in (loops, truth))
    coarse, target = [p[:: max(1, len(p) // 150)] - a for p in loops], [t - b for t in truth]
    lines = [ring(t) for t in target]

    def off(angle: float) -> float:
        return sum(
            float(line.distance(points_of(moved(p, angle, 0))).sum()) for p, line in zip(coarse, lines, strict=True)
        )

    angle = min(np.arange(0, 2 * math.pi, 0.05), key=off)
    return float(min(angle + np.arange(-0.05, 0.05, 0.005), key=off)), a, b


def off_truth(loops: list[np.ndarray], truth: list[np.ndarray], start: Start | None) -> np.ndarray:
    """Distances (mm) of points from the true loops; after the best rigid placement, where a start for it is given."""
    if start:
        angle, a, b = start
        truth = [t - b for t in truth]
        loops = placed([moved(p - a, angle, np.zeros(2)) for p in loops], truth, 8)
    trees = [STRtree(linestrings(np.stack([t, np.roll(t, -1, axis=0)], axis=1))) for t in truth]
    nearest = [
        tree.query_nearest(points_of(p), return_distance=True, all_matches=False)[1]
        for p, tree in zip(loops, trees, strict=True)
    ]
    return np.concatenate(nearest)


def rms(off: np.ndarray) -> float:
    return float(np.sqrt((off**2).mean()))


def curvature_extrema(loop: np.ndarray) -> int:
    """Of a true polyline, between its corners, from the circles through every other three of its vertices."""
    loop = loop[np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1) > 1e-3]
    corners = sharp_points(loop, least_deg=CORNER_DEG)
    loop = np.roll(loop, -int(corners[0]), axis=0) if len(corners) else loop
    before, after = loop - np.roll(loop, 2, axis=0), np.roll(loop, -2, axis=0) - loop
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    bend = 2 * cross / np.prod([np.linalg.norm(d, axis=1) for d in (before, after, before + after)], axis=0)
    if not len(corners):
        return turning_points(bend, True, FLATTEST_TRUTH)
    bounds = [*(corners - corners[0]), len(loop)]
    return sum(turning_points(bend[a + 2 : b - 1], False, FLATTEST_TRUTH) for a, b in pairwise(bounds) if b - a > 4)


def row(name: str, contours: list[Contour], truth: list[np.ndarray], drawn: int | None, traced: bool) -> float | None:
    """One line of the table; the ratio of RMS, fit to points. What was traced lies elsewhere than the truth."""
    try:
        (outline, quality), spent = timed(lambda: fit_outline(contours))
    except DigitizeError as error:
        print(f"{name:18} {error}")
        return None
    loops = [loop.flattened(0.001) for loop in outline.loops]
    pick = [min(truth, key=lambda t: abs(Polygon(t).area - Polygon(p).area)) for p in loops]
    start = brought(loops, pick) if traced else None
    raw = rms(off_truth([c.points for c in contours], pick, start))
    off = off_truth([even(p) for p in loops], pick, start)
    back = off_truth([even(t) for t in pick], loops, (-start[0], start[2], start[1]) if start else None)
    kinds = [sum(isinstance(s, kind) for s in outline.segments) for kind in (Line, Arc)]
    extrema = sum(curvature_extrema(t) for t in pick)
    text = (
        f"{name:18} {sum(len(c.points) for c in contours):6d} {quality.pieces:3d}/{drawn or '-':<3}"
        f"{kinds[0]:3d}L{kinds[1]:2d}A{quality.pieces - sum(kinds):2d}S {raw:.4f} {rms(off):.4f} {rms(off) / raw:5.2f} "
        f"{max(off.max(), back.max()):6.3f} {quality.curvature_extrema:4d}/{extrema:<3d} "
        f"{quality.tangent_break_deg:6.3f} {spent:6.2f}"
    )
    for rival in (smoothing_spline(contours), simplified(contours)):
        own = rms(off_truth([even(p) for p in rival.loops], pick, start))
        text += f" | {rival.pieces:8d} {own:.4f} {rival.seconds:6.3f}"
    print(text, flush=True)
    return rms(off) / raw


def synthetic(only: str) -> None:
    ratios = []
    for count in COUNTS:
        for shape in catalogue():
            if only not in shape.name:
                continue
            length = sum(ring(loop).length for loop in shape.loops)
            contours = roughened(shape, Roughness(SIGMA_MM, step=length / count, blur=0.0, dropped=0.0))
            contours = [Contour(c.points, c.sigma, 0.0) for c in contours]
            ratios.append(row(shape.name, contours, shape.loops, shape.pieces, traced=False))
    known = [r for r in ratios if r is not None]
    if known:
        print(f"largest ratio {max(known):.2f}, median {np.median(known):.2f}")


def disturbed(contour: Contour, rng: np.random.Generator, angle: float) -> Contour:
    """The contour moved by a smooth random field and white noise, thinned, begun elsewhere and turned by an angle."""
    p = contour.points
    size, reach = rng.uniform(*FIELD_MM), rng.uniform(*ALONG_MM)
    waves = rng.normal(0, 1 / reach, (40, 2))  # of a field whose covariance is a Gaussian of this reach
    phase = p @ waves.T
    field = (np.cos(phase) @ rng.normal(size=(40, 2)) + np.sin(phase) @ rng.normal(size=(40, 2))) / math.sqrt(40)
    p = p + size * field + rng.normal(0, size / 2, p.shape)
    kept = np.roll(np.flatnonzero(rng.random(len(p)) > LOST), int(rng.integers(len(p))))
    return Contour(moved(p[kept], angle, np.zeros(2)), contour.sigma[kept], contour.blur)


@dataclass(frozen=True)
class Member:
    """One disturbed contour fitted: RMS to the truth of fit and points, largest either way (mm), and its quality."""

    rms: float
    raw: float
    largest: float
    pieces: int
    extrema: int
    tangent_break: float
    unfair: int
    seconds: float


def off_tips(points: np.ndarray, truth: list[np.ndarray]) -> np.ndarray:
    """Which points (N, 2) lie away from the tips of true loops."""
    coarse = [np.asarray(Polygon(t).simplify(TIP_WIDTH_MM).exterior.coords)[:-1] for t in truth]
    tips = np.vstack([t[sharp_points(t, TIP_DEG)] for t in coarse])
    return (np.linalg.norm(points[:, None] - tips[None], axis=2) > TIP_MM).all(axis=1)


def member(contours: list[Contour], truth: list[np.ndarray], start: Start, seed: int) -> Member:
    """A contour disturbed, fitted, turned back and placed on its truth."""
    rng = np.random.default_rng(seed)
    angle = float(rng.uniform(0, 2 * math.pi))
    rough = [disturbed(c, rng, angle) for c in contours]
    (outline, q), spent = timed(lambda: fit_outline(rough))
    loops = [moved(loop.flattened(0.001), -angle, np.zeros(2)) for loop in outline.loops]
    off = off_truth([even(p) for p in loops], truth, start)
    back = off_truth([even(t) for t in truth], loops, (-start[0], start[2], start[1]))
    raw = off_truth([moved(c.points, -angle, np.zeros(2)) for c in rough], truth, start)
    near = np.vstack([moved(even(p) - start[1], start[0], np.zeros(2)) + start[2] for p in loops])
    most = [off[off_tips(near, truth)].max(), back[off_tips(np.vstack([even(t) for t in truth]), truth)].max()]
    return Member(
        rms(off),
        rms(raw),
        float(max(most)),
        q.pieces,
        q.curvature_extrema,
        q.tangent_break_deg,
        q.unfair_loops,
        spent,
    )


def ensemble(
    name: str, contours: list[Contour], truth: list[np.ndarray], drawn: int | None, members: int
) -> list[Member]:
    """One line of the ensemble's table: median and worst of the members."""
    pick = [min(truth, key=lambda t: abs(Polygon(t).area - Polygon(c.points).area)) for c in contours]
    start = brought([c.points for c in contours], pick)
    found = [member(contours, pick, start, seed) for seed in range(members)]
    off, most, raw = (np.array([getattr(m, key) for m in found]) for key in ("rms", "largest", "raw"))
    pieces, extrema = np.array([m.pieces for m in found]), np.array([m.extrema for m in found])
    print(
        f"{name:22} {np.median(off):.4f} {off.max():.4f} {off.max() / np.median(off):5.2f} {(off / raw).max():6.2f} "
        f"{np.median(most):6.3f} {most.max():6.3f} {np.median(pieces):5.0f} {pieces.max():3d}/{drawn or '-':<3}"
        f"{np.median(extrema):5.0f} {extrema.max():3d}/{sum(curvature_extrema(t) for t in pick):<3d}"
        f"{max(m.tangent_break for m in found):6.2f} {sum(m.unfair for m in found):4d} "
        f"{sum(m.seconds for m in found):7.2f}",
        flush=True,
    )
    return found


def practice(folder: Path, only: str, members: int = 0) -> None:
    ratios = []
    for scene in scenes(folder):
        if only not in scene.name:
            continue
        told = json.loads(scene.truth.read_text())
        worlds = told["outlines_world"]
        for k, contours in enumerate(contours_of(scene)):
            world = min(worlds, key=lambda w: abs(Polygon(w["outer"]).area - contours[0].area))
            truth = [np.asarray(x, dtype=float) for x in (world["outer"], *world["holes"])]
            name = scene.name if len(worlds) == 1 else f"{scene.name} part {k + 1}"
            drawn = DRAWN.get(told["shape"]) if len(worlds) == 1 else None
            if members:
                ensemble(f"{name} {told['shape']}", list(contours), truth, drawn, members)
                continue
            ratio = row(f"{name} {told['shape']}", list(contours), truth, drawn, traced=True)
            if ratio is not None and scene.expect == "trace":
                ratios.append(ratio)
    if ratios:
        print(f"scenes to be traced: largest ratio {max(ratios):.2f}, median {np.median(ratios):.2f}")


@dataclass(frozen=True)
class Size:
    """One size: what it is, by how much it is off the drawn one, its expanded uncertainty U, and the limit (its U where
    None); mm or degrees."""

    what: str
    off: float
    u: float
    limit: float | None


def nearest(value: float, drawn: tuple[float, ...]) -> float:
    return min(drawn, key=lambda d: abs(d - value))


def sizes_of(shape: str, seen: Measured) -> Iterator[Size]:
    """The sizes of a practice shape that its drawing tells, those of arcs too short for the program to name as well."""
    lines, arcs = seen.lines(), [k for k, fit in enumerate(seen.figure.fits) if isinstance(fit, ArcFit)]
    if shape == "gauge":
        for k in range(2) if len(lines) == 4 else ():
            value, u = seen.size(Kind.SIZE, (lines[k], lines[k + 2]), 2.0)
            yield Size("sides, mm", value - nearest(value, GAUGE_MM), u, GAUGE_LIMIT_MM)
        for k in range(4) if len(lines) == 4 else ():
            off, u = seen.angle(Kind.RIGHT_ANGLE, (lines[k], lines[(k + 1) % 4]), math.pi / 2, math.sqrt(0.5))
            yield Size("angles, deg", math.degrees(off), math.degrees(u), GAUGE_LIMIT_DEG)
    circles = [k for k in arcs if seen.circle(k)]
    if shape in ("disc", "ring"):
        for k in circles:
            value, u = seen.size(Kind.DIAMETER, (k,), 4.0)
            off = value - nearest(value, DISC_MM if shape == "disc" else RING_MM)
            yield Size("diameters, mm", off, u, DIAMETER_LIMIT_MM)
    if shape == "ring" and len(circles) == 2:
        left, known = seen.residual(Kind.CONCENTRIC, circles)
        u = PLANE_COVERAGE * math.sqrt(float(np.linalg.eigvalsh(known)[-1]) + 2 * seen.edge**2)
        yield Size("centres apart, mm", float(np.linalg.norm(left)), u, CONCENTRIC_LIMIT_MM)
    if shape == "comb":
        turns = seen.figure.outline.outer.turns()
        for k in lines:
            end, wall = (k + 1) % len(turns), (k + 2) % len(turns)
            if turns[end] < 0 and turns[wall] < 0 and wall in lines:
                value, u = seen.size(Kind.SLOT, (k, wall), 2.0)
                yield Size("slots, mm", value - SLOT_MM, u, SLOT_LIMIT_MM)
    if shape in ("rail", "foot"):
        drawn, limit = (RAIL_RADII_MM, None) if shape == "rail" else (FOOT_RADII_MM, FOOT_LIMIT_MM)
        for k in arcs:
            value, u = seen.size(Kind.RADIUS, (k,), 1.0)
            if shape == "rail" or seen.radius(k) < 2 * max(drawn):
                yield Size("radii, mm", value - nearest(value, drawn), u, limit)


def measured_scene(scene: Scene) -> Measured | None:
    """The largest part of a photo, measured as the command does; None where the photo is refused."""
    setup = Setup(scene.thickness, board=plain_sheet(10, 7, 25.0) if scene.plain else None)
    try:
        traced = trace_photo(read_photo(scene.photo), setup, lambda step, share: None)
        outline, quality = fit_outline(traced.parts[0])
    except DigitizeError:
        return None
    return measured(outline, EdgeNoise.of(outline, quality.rms_mm, quality.points), traced.budget.contributions)


def sizes(folder: Path, only: str) -> None:
    """The table of sizes: per scene and kind of size, the one that is farthest off."""
    print(SIZES_HEAD)
    for scene in scenes(folder):
        shape = json.loads(scene.truth.read_text()).get("shape")
        if only not in scene.name or shape not in ("gauge", "disc", "ring", "comb", "rail", "foot"):
            continue
        seen = measured_scene(scene)
        found = list(sizes_of(shape, seen)) if seen else []
        for what in dict.fromkeys(s.what for s in found):
            kind = [s for s in found if s.what == what]
            worst = max(kind, key=lambda s: abs(s.off) / (s.limit or s.u))
            limit = worst.limit or worst.u
            print(
                f"{scene.name:5} {shape:8} {what:28} {len(kind):6d} {worst.off:+12.3f} {worst.u:6.3f} "
                f"{max(s.u for s in kind):11.3f} {max(abs(s.off) / s.u for s in kind):6.2f} "
                f"{f'{limit:.2f}' if worst.limit else 'U':>6}  {'yes' if abs(worst.off) <= limit else 'NO'}",
                flush=True,
            )
        if not found:
            print(f"{scene.name:5} {shape:8} {'none of its sizes' if seen else 'refused'}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--skip-synthetic", action="store_true")
    parser.add_argument("--ensemble", type=int, default=0)
    parser.add_argument("--sizes", action="store_true")
    given = parser.parse_args()
    if given.sizes and given.folder:
        return sizes(given.folder, given.only)
    if given.ensemble and given.folder:
        print(MEMBERS_HEAD)
        return practice(given.folder, given.only, given.ensemble)
    print(HEAD + OTHERS)
    if not given.skip_synthetic:
        synthetic(given.only)
    if given.folder and (given.folder / "truth.json").exists():
        print(HEAD + OTHERS)
        practice(given.folder, given.only)
    else:
        print("practice photos skipped: give their folder (with truth.json in it)")


if __name__ == "__main__":
    main()
