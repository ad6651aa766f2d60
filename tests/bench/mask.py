"""How well masking finds the part: ``python -m tests.bench.mask PRACTICE_FOLDER [WORD ...]`` prints a table.

Practice scenes, then synthetic ones (tests/scenes.py); WORDs pick scenes by name. Per scene: objects found, overlap
(intersection over union) with the true silhouette of upper and lower face on the bench plane, 95 % and greatest
distance between the two borders both ways in mm, holes found / there (holes in the mask), seconds of find_parts.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from scipy.spatial import cKDTree
from shapely import Polygon, make_valid, unary_union

from digitize.model.camera import focal_from_35mm
from digitize.model.errors import DigitizeError
from digitize.model.segment import Points
from digitize.model.sheet import PAPER_MM, coded_sheet, plain_sheet
from digitize.vision.checkerboard import find_sheets
from digitize.vision.mask import PartMask, find_parts
from digitize.vision.photo import Photo
from digitize.vision.view import View, solve_view
from tests.scenes import LETTER, Part, Scene, circle, dense, laid, oriented, rectangle, render, true_view

LEAST_HOLE_MM2 = 5.0  # smaller glimpses through a hole are not asked for


class Score(NamedTuple):
    overlap: float
    p95: float
    most: float
    found: int
    holes: int


def true_silhouette(part: Part, position: Points) -> Polygon:
    """What a part hides of the bench from a camera at ``position`` (3,), mm over the bench: the shadow of the prism."""
    loops, (cx, cy, height) = oriented(part), position
    eye = np.array([cx, cy])
    raised = [eye + (p - eye) * height / (height - part.thickness) for p in loops]
    walls = []
    for low, high in zip(loops, raised, strict=True):
        ring = np.stack([low, np.roll(low, -1, axis=0), np.roll(high, -1, axis=0), high], axis=1)
        walls += [make_valid(Polygon(q)) for q in ring]
    faces = [make_valid(Polygon(p[0], p[1:])) for p in (loops, raised)]
    return max(getattr(unary_union(faces + walls), "geoms", [unary_union(faces + walls)]), key=lambda g: g.area)


def score(mask: PartMask, bench_from_image, truth: Polygon) -> Score:
    """``bench_from_image`` maps photo px (N, 2) to the bench plane on which ``truth`` lies."""
    loops = [bench_from_image(c) for c in mask.contours]
    seen = make_valid(Polygon(loops[0], loops[1:]))
    rings = [Polygon(r) for r in truth.interiors]
    there = [r for r in rings if r.area >= LEAST_HOLE_MM2]
    found = sum(any(Polygon(h).intersection(r).area > 0.3 * r.area for h in loops[1:]) for r in there)
    a = np.vstack([dense(p, 0.3) for p in loops])
    b = np.vstack([dense(np.asarray(r.coords)[:-1], 0.3) for r in (truth.exterior, *(r.exterior for r in there))])
    off = np.concatenate([cKDTree(b).query(a)[0], cKDTree(a).query(b)[0]])
    overlap = seen.intersection(truth).area / seen.union(truth).area
    return Score(overlap, float(np.percentile(off, 95)), float(off.max()), found, len(there))


def practice(folder: Path) -> Iterator[tuple[str, Photo, View, list[Part], Points, object]]:
    """Name, photo, solved view, parts, camera position over the bench, image -> bench plane; scene by scene."""
    for file in sorted((folder / "truth").glob("s??.json")):
        truth = json.loads(file.read_text())
        if not truth["sheets"]:
            continue
        photo = Photo(cv2.imread(str(folder / truth["image"]))[..., ::-1].copy(), truth["name"])
        kind = truth["sheets"][0]
        plain = plain_sheet(*kind["squares"], kind["square_mm_nominal"]) if kind["kind"] == "plain" else None
        sheets = find_sheets(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), plain)
        view, _ = solve_view(sheets, photo.size, focal_from_35mm(27.0, photo.size))
        k, lens = np.array(truth["camera_matrix"]), np.array(truth["distortion_k1k2p1p2k3"])
        r, t = np.array(truth["R_world_to_camera"]), np.array(truth["t_world_to_camera"])
        eye = -r.T @ t

        def on_bench(px: Points, k=k, lens=lens, r=r, eye=eye) -> Points:
            ideal = cv2.undistortPoints(np.ascontiguousarray(px).reshape(-1, 1, 2), k, lens).reshape(-1, 2)
            ray = np.column_stack([ideal, np.ones(len(ideal))]) @ r
            return eye[:2] - ray[:, :2] * (eye[2] / ray[:, 2])[:, None]

        loops = [[np.array(o["outer"]), *map(np.array, o["holes"])] for o in truth["outlines_world"]]
        yield photo.name, photo, view, [Part(tuple(x), truth["thickness_mm"]) for x in loops], eye, on_bench


def synthetic() -> Iterator[tuple[str, Scene]]:
    """Scenes of our own, named by what is in them; the part asked for comes first."""
    one, two = laid(coded_sheet(0), (200, 0), 5), laid(coded_sheet(1), (-205, 10), -8, page=LETTER)
    holes = (circle(20, (30, 10)), circle(6, (-40, 0)), rectangle(40, 4)[0] + [0, -20])
    plate = rectangle(130, 80, (0, 0), 20, holes)
    offcut, pencil = (
        Part(rectangle(60, 35, (10, -150), 40), 12, "walnut"),
        Part(rectangle(170, 7, (0, 120), 8), 7, "pencil"),
    )
    washer = Part((circle(24, (60, 100)), circle(13, (60, 100))), 2, "steel")
    rule = Part(rectangle(300, 25, (0, 180), -3), 1, "steel")
    for bench in ("cloth", "mat", "planks", "dark", "paper"):
        for material in ("birch", "oak", "walnut", "mdf", "white", "black", "steel"):
            wood_on_itself = (bench, material) in {("paper", "white"), ("dark", "black")}
            if not wood_on_itself:
                yield f"{bench} {material}", Scene((Part(plate, 6, material),), (one, two), bench)
    base = {"sheets": (one, two), "bench": "cloth"}
    yield "window cloth", Scene((Part(plate, 6),), **base, window=(10, 30, 0.6))
    yield "window planks", Scene((Part(plate, 6),), (one, two), "planks", window=(10, 200, 0.6))
    yield "window paper", Scene((Part(plate, 12, "oak"),), (one, two), "paper", window=(10, 130, 0.6))
    for bench in ("cloth", "paper", "planks"):
        hard = {"shadow": (0.6, 0.03), "light": (0.9, 0.6)}
        yield f"hard shadow {bench}", Scene((Part(plate, 18, "oak"),), (one, two), bench, tilt=20, **hard)
    for bench in ("dark", "mat", "paper"):
        yield f"clutter {bench}", Scene((Part(plate, 9, "birch"), offcut, pencil, washer, rule), (one, two), bench)
    over = rectangle(150, 70, (110, 20), 15, holes)
    for bench, material in (("cloth", "birch"), ("paper", "walnut"), ("mat", "steel"), ("dark", "white")):
        yield f"over sheet {bench} {material}", Scene((Part(over, 6, material),), (one, two), bench)
    small = Part(rectangle(40, 25, (0, 0), 35, (circle(8, (5, 0)),)), 6)
    yield "small cloth", Scene((small,), (one, two), "cloth")
    yield "small mat", Scene((small,), (one, two), "mat")
    far = (laid(coded_sheet(0), (250, 260), 5), laid(coded_sheet(1), (-250, -260), 80))
    large = Part(rectangle(600, 160, (0, 0), -12, (circle(60, (150, 0)), circle(5, (-200, 30)))), 18, "oak")
    yield "large cloth", Scene((large,), far, "cloth", height=900)
    yield "large paper", Scene((large,), far, "paper", height=900, tilt=25)


def line(name: str, photo: Photo, view: View, part: Part, eye: Points, on_bench) -> str:
    start = time.perf_counter()
    try:
        parts = find_parts(photo, view)
    except DigitizeError as error:
        return f"{name:26s} {error}"
    seconds = time.perf_counter() - start
    s = score(parts[0], on_bench, true_silhouette(part, eye))
    figures = f"{s.overlap:8.3f} {s.p95:7.2f} {s.most:7.2f}   {s.found}/{s.holes} ({len(parts[0].contours) - 1})"
    return f"{name:26s} {len(parts):5d} {figures} {seconds:8.2f} {'TOUCHES' if parts[0].touches_frame else ''}"


def main(folder: Path, words: list[str]) -> None:
    print(f"{'scene':26s} {'found':>5s} {'overlap':>8s} {'p95 mm':>7s} {'max mm':>7s}   holes {'s':>8s}")
    for name, photo, view, parts, eye, on_bench in practice(folder):
        if not words or any(w in name for w in words):
            largest = max(parts, key=lambda p: Polygon(p.loops[0], p.loops[1:]).area)
            print(line(name, photo, view, largest, eye, on_bench), flush=True)
    for name, scene in synthetic():
        if not words or any(w in name for w in words):

            def on_bench(px: Points, scene: Scene = scene) -> Points:
                return scene.bench_from_image(px, -PAPER_MM)

            eye = scene.position + np.array([0, 0, PAPER_MM])
            print(line(name, render(scene), true_view(scene), scene.parts[0], eye, on_bench), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
