"""Lens calibration and several photos, measured: ``python -m tests.bench.lens [PRACTICE_FOLDER]``.

With the folder: the calibration photos of a scene with strong distortion, of coded sheets and of a plain board, against
the true lens and against each other, in mm over the whole frame on a bench at 700 mm; the scene traced with either
profile. Without it, on simulated grid points: what a second and third photo are worth, how long the joint solve takes,
and how long sixteen photos of twelve megapixels take to calibrate.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from digitize.cli import main as command
from digitize.files import read_lens, read_photo
from digitize.model.sheet import coded_sheet, plain_sheet
from digitize.pipeline import calibrate_lens
from digitize.vision.lensfield import difference, frame_grid
from digitize.vision.view import View
from digitize.vision.views import Seen, solve_views
from tests.scenes import Scene, laid, render
from tests.vision.test_view import FOCAL, LENS, NOISE_PX, SIZE, pose, project, see

LAYOUTS = 40
PART_MM, THICK_MM = 100.0, (6.0, 18.0)  # a ring of points so far from the middle, on parts so thick
CALIBRATION = "s16_calib"  # of the practice photos: the only ones of one lens with nothing but sheets
SCENE, THICKNESS = "s16", "6"


def apart(a: np.ndarray, b: np.ndarray, size: tuple[int, int]) -> str:
    off = np.linalg.norm(difference(a, b, frame_grid(size)), axis=1)
    return f"{np.sqrt((off**2).mean()):.4f} mm RMS, {off.max():.4f} mm largest"


def practice(folder: Path) -> None:
    told = json.loads((folder / "truth" / f"{CALIBRATION}_coded_1.json").read_text())
    k = np.array(told["camera_matrix"])
    true = np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2], *told["distortion_k1k2p1p2k3"]])
    lenses = {}
    with tempfile.TemporaryDirectory() as work:
        for kind, options in (("coded", []), ("plain", ["--sheet", "plain:10x7x25mm"])):
            photos = sorted(map(str, (folder / "photos" / CALIBRATION).glob(f"{kind}_*.jpg")))
            profile = Path(work) / f"{kind}.lens.json"
            command(["lens", *photos, *options, "-o", str(profile)])
            lenses[kind] = np.array(read_lens(profile).parameters)
            print(f"{kind} against the true lens: {apart(true, lenses[kind], tuple(told['size']))}\n")
            traced(folder, Path(work), ["--lens", str(profile)], kind)
        traced(folder, Path(work), [], "no profile")
    print(f"plain against coded: {apart(lenses['plain'], lenses['coded'], tuple(told['size']))}")


def traced(folder: Path, work: Path, options: list[str], name: str) -> None:
    dxf = work / "scene.dxf"
    photo = str(folder / "photos" / f"{SCENE}.jpg")
    out = ["--dxf", str(dxf), "-o", str(work / "scene.pattern.json"), "--force", "--json"]
    command(["trace", photo, "--thickness", THICKNESS, *options, *out])
    score = [sys.executable, str(folder.parent / "score.py"), str(dxf), str(folder / "truth" / f"{SCENE}.json")]
    worst = json.loads(subprocess.run(score, capture_output=True, text=True).stdout)["worst"]
    print(f"\n{SCENE} traced with {name}: rms {worst['rms_mm']:.4f} mm, scale {worst['scale_ppm']:.0f} ppm\n")


def ring(view: View, where: tuple[np.ndarray, np.ndarray], z: float) -> np.ndarray:
    """Bench points (12, 2) that the view finds for a ring on a part's face, about their middle."""
    a = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    true = PART_MM * np.stack([np.cos(a), np.sin(a)], axis=1)
    seen = view.bench_from_image(project(LENS, where, np.column_stack([true, np.full(12, z)])), z)
    return seen - seen.mean(axis=0)


def misfit(points: np.ndarray) -> float:
    """RMS distance to the true ring after the best turn."""
    a = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    true = PART_MM * np.stack([np.cos(a), np.sin(a)], axis=1)
    u, _, vt = np.linalg.svd(points.T @ true)
    return float(np.sqrt(((points @ u @ vt - true) ** 2).sum(axis=1).mean()))


def layouts() -> None:
    """One, two and three photos of LAYOUTS random benches; the ring is the mean of what the photos show."""
    rng, rows = np.random.default_rng(5), []
    for layout in range(LAYOUTS):
        sheets = [coded_sheet(k) for k in range(1 + layout % 4)]
        poses = [pose(rng.uniform(0.05, 0.4), rng.uniform(500, 800), rng.uniform(-math.pi, math.pi)) for _ in range(3)]
        photos = [
            Seen(f"{k}", see(sheets, where=w, noise=NOISE_PX, seed=10 * layout + k), SIZE, FOCAL, ("one",))
            for k, w in enumerate(poses)
        ]
        row = []
        for z in THICK_MM:
            for count in (1, 2, 3):
                views, _ = solve_views(photos[:count])
                seen = [ring(v, w, z - 0.1) for v, w in zip(views, poses, strict=False)]
                row.append(misfit(np.mean(seen, axis=0)))
        rows.append(row)
    errors = np.array(rows)
    print(
        f"{LAYOUTS} benches of 1 to 4 sheets, lens unknown, grid points good to {NOISE_PX} px; RMS error in mm, median:"
    )
    for k, z in enumerate(THICK_MM):
        one, two, three = errors[:, 3 * k : 3 * k + 3].T
        print(
            f"  {z:g} mm part: one photo {np.median(one):.4f}, two {np.median(two):.4f}, three {np.median(three):.4f}; "
            f"ratio two to one {np.median(two / one):.2f} (median), three to one {np.median(three / one):.2f}"
        )


def joint_time() -> None:
    sheets = [coded_sheet(k) for k in range(4)]
    poses = [pose(0.1 + 0.05 * k, 640.0, 1.05 * k) for k in range(6)]
    photos = [Seen(str(k), see(sheets, where=w, noise=NOISE_PX, seed=k), SIZE, FOCAL, ()) for k, w in enumerate(poses)]
    spent = []
    for _ in range(5):
        begun = time.process_time()
        solve_views(photos)
        spent.append(time.process_time() - begun)
    print(f"joint solve of 4 sheets x 6 photos: {np.median(spent):.3f} s CPU")


def sixteen() -> None:
    """Sixteen photos of 4032 x 3024 px, rendered at a quarter and enlarged: reading and finding cost as much."""
    with tempfile.TemporaryDirectory() as work:
        paths = []
        for k in range(16):
            tilt, azimuth = (0.0, 15.0, 25.0, 32.0)[k % 4], 90.0 * (k // 4) + 30.0 * (k % 4)
            sheet = laid(plain_sheet(10, 7, 25.0), (3.0 * (k % 5 - 2), 2.0 * (k % 3)), 5.0 * k)
            scene = Scene(
                sheets=(sheet,), size=(1008, 756), focal=800.0, height=300.0, tilt=tilt, azimuth=azimuth, blur=0.3
            )
            large = cv2.resize(render(scene, k).pixels, (4032, 3024), interpolation=cv2.INTER_CUBIC)
            paths.append(Path(work) / f"{k}.jpg")
            Image.fromarray(large).save(paths[-1], quality=92)
        begun, cpu = time.perf_counter(), time.process_time()
        board = plain_sheet(10, 7, 25.0)
        try:
            calibrate_lens(map(read_photo, paths), 16, board, (1.0, 1.0), "phone", lambda step, share: None)
        finally:
            print(
                f"calibration from 16 photos of 12 MP: {time.perf_counter() - begun:.1f} s, "
                f"{time.process_time() - cpu:.1f} s CPU"
            )


def main() -> None:
    if len(sys.argv) > 1 and Path(sys.argv[1], "truth.json").exists():
        practice(Path(sys.argv[1]))
    else:
        print("skipped: the practice photos (give their folder, with truth.json in it)")
    layouts()
    joint_time()
    sixteen()


if __name__ == "__main__":
    main()
