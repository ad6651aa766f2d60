"""How true the bench mapping is: ``python -m tests.bench.view PRACTICE_FOLDER [NAME ...]`` prints a table.

Each scene twice, with the lens guessed from the EXIF and with the true lens as a profile. The points of the true
outline are projected with the true camera and mapped back by the solved view, on the sheets' plane and on the part's
upper face. Columns: sheets and grid points found; their error against the exact truth (rms per axis and mean, px);
reprojection rms (px); focal length's error and its sigma (%); then for both heights the rms distance (mm) after the
best rigid placement, the error in scale and, for the upper face, its sigma (ppm); seconds of finding and of solving.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import cv2
import numpy as np

from digitize.files import read_photo
from digitize.model.camera import LensProfile, focal_from_35mm
from digitize.model.errors import DigitizeError
from digitize.model.sheet import PAPER_MM, plain_sheet
from digitize.vision.checkerboard import Sighting, find_sheets
from digitize.vision.view import View, solve_view
from tests.bench.scenes_on_disk import Scene, scenes

LENS_SIGMA = np.array([0.5, 0.5, 0.5, 0.5, 1e-4, 1e-4, 1e-5, 1e-5, 1e-4])  # of the true lens as a profile
HEADER = (
    "scene lens     sheets points   grid px    mean px  rms px  focal % sigma %   z0 mm z0 ppm  top mm top ppm "
    "sig ppm   find  solve"
)


class Truth:
    """The exact camera of a scene."""

    def __init__(self, path: Path) -> None:
        told = json.loads(path.read_text())
        self.told = told
        self.matrix, self.distortion = np.array(told["camera_matrix"]), np.array(told["distortion_k1k2p1p2k3"])
        self.turn = cv2.Rodrigues(np.array(told["R_world_to_camera"]))[0]
        self.shift = np.array(told["t_world_to_camera"])

    def project(self, xy: np.ndarray, z: float) -> np.ndarray:
        xyz = np.column_stack([xy, np.full(len(xy), z)])
        return cv2.projectPoints(xyz, self.turn, self.shift, self.matrix, self.distortion)[0].reshape(-1, 2)

    def profile(self) -> LensProfile:
        k = self.matrix
        mean = (k[0, 0], k[1, 1], k[0, 2], k[1, 2], *self.distortion)
        covariance = tuple(tuple(row) for row in np.diag(LENS_SIGMA**2))
        return LensProfile(size=tuple(self.told["size"]), parameters=mean, covariance=covariance, rms_px=0.05)

    def grid_errors(self, sightings: list[Sighting]) -> np.ndarray:
        """Errors (n, 2) px of all grid points found; a plain board may be turned by half a turn."""
        off = []
        for sighting in sightings:
            sheet = next(s for s in self.told["sheets"] if s.get("number") == sighting.sheet.number)
            px = self.project(np.array(sheet["inner_corners_world_xy"]), sheet["inner_corners_world_z"])
            ways = [sighting.pixels - p[sighting.ids] for p in (px, px[::-1])]
            off.append(min(ways, key=lambda e: np.abs(e).max()))
        return np.vstack(off)


def mapping(view: View, truth: Truth, z: float) -> tuple[float, float, float]:
    """Over the parts at height z: rms distance (mm) after the best rigid placement, scale error and its sigma (ppm)."""
    true = np.vstack([np.array(o["outer"]) for o in truth.told["outlines_world"]])
    px = truth.project(true, z + PAPER_MM)
    a, b = (p - p.mean(axis=0) for p in (view.bench_from_image(px, z), true))
    scale = np.sqrt((a**2).sum() / (b**2).sum()) - 1
    u, _, vt = np.linalg.svd(a.T @ b)
    off = a @ u @ np.diag([1, np.linalg.det(u @ vt)]) @ vt - b
    far = int(np.argmax(np.linalg.norm(true - true[0], axis=1)))
    sigma = view.length_sigma(px[:1], px[far : far + 1], z)[0] / np.linalg.norm(true[far] - true[0])
    return float(np.sqrt((off**2).sum(axis=1).mean())), float(scale * 1e6), float(sigma * 1e6)


def rows(scene: Scene) -> list[str]:
    photo, truth = read_photo(scene.photo), Truth(scene.truth)
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    begun = time.perf_counter()
    sightings = find_sheets(grey, plain_sheet(10, 7, 25) if scene.plain else None)
    found_s = time.perf_counter() - begun
    lines = []
    for name, lens in (("guessed", None), ("known", truth.profile())):
        begun = time.perf_counter()
        try:
            view, caveats = solve_view(
                sightings, photo.size, focal_from_35mm(photo.focal_35mm or 26, photo.size), lens=lens
            )
        except DigitizeError as error:
            return [f"{scene.name:5} {found_s:.2f} s: {error}"]
        solved_s = time.perf_counter() - begun
        error = truth.grid_errors(sightings)
        focal, sigma = (
            view.camera.focal[0] / truth.matrix[0, 0] - 1,
            np.sqrt(view.covariance[6, 6]) / truth.matrix[0, 0],
        )
        flat, top = (mapping(view, truth, z) for z in (0.0, scene.thickness - PAPER_MM))
        lines.append(
            f"{scene.name:5} {name:8} {len(sightings):6} {len(error):6} {np.sqrt((error**2).mean()):9.4f} "
            f"{np.abs(error.mean(axis=0)).max():10.4f} {view.rms_px:7.4f} {focal:8.2%} {sigma:7.2%} {flat[0]:7.4f} "
            f"{flat[1]:6.0f} {top[0]:7.4f} {top[1]:7.0f} {top[2]:7.0f} {found_s:6.2f} {solved_s:6.3f}"
        )
        lines += [f"      {caveat}" for caveat in caveats]
    return lines


def main() -> None:
    folder, *names = sys.argv[1:]
    print(HEADER)
    for scene in scenes(Path(folder)):
        if not names or scene.name in names:
            print("\n".join(rows(scene)), flush=True)


if __name__ == "__main__":
    main()
