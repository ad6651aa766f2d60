"""How true fitted outlines are: python -m tests.bench.fitting [FOLDER OF TRUTH FILES] [--sigma 0.02]"""

import argparse
import json
import time
from pathlib import Path

import numpy as np
from shapely import LineString

from digitize.fitting import fit_outline
from digitize.model.errors import DigitizeError
from digitize.model.segment import Arc, Line
from tests.fitting.shapes import DENSE_MM, Roughness, Shape, catalogue, deviation, roughened, sharp_points


def dense(loop):
    """The same closed polyline with points at least every DENSE_MM."""
    closed = LineString(np.vstack([loop, loop[:1]])).segmentize(DENSE_MM)
    return np.asarray(closed.coords)[:-1]


def practice(folder):
    shapes = []
    for path in sorted(Path(folder).glob("s??.json")):
        for part in json.loads(path.read_text())["parts"][:1]:
            outline = part["outline_part_frame"]
            loops = [dense(np.asarray(x, dtype=float)) for x in (outline["outer"], *outline["holes"])]
            shapes.append(Shape(path.stem, loops, None, sum(len(sharp_points(x)) for x in loops)))
    return shapes


def row(shape, how):
    contours = roughened(shape, how)
    began = time.process_time()
    try:
        outline, quality = fit_outline(contours)
    except DigitizeError as error:
        print(f"{shape.name:18s} {error}")
        return
    spent = time.process_time() - began
    off = deviation(outline, shape)
    kinds = [sum(isinstance(s, kind) for s in outline.segments) for kind in (Line, Arc)]
    print(
        f"{shape.name:18s} {sum(len(c.points) for c in contours):5d} {how.sigma:5.2f} "
        f"{quality.pieces:3d}/{shape.pieces or '-':<3} "
        f"{kinds[0]:3d}L{kinds[1]:3d}A{quality.pieces - sum(kinds):3d}S "
        f"{quality.corners:3d}/{shape.corners if shape.corners is not None else '-':<3} "
        f"{off.rms:.4f} {off.rms / how.sigma:5.2f} {off.largest:.3f} at ({off.at[0]:.0f},{off.at[1]:.0f}) "
        f"{quality.curvature_extrema:3d} {quality.tangent_break_deg:6.3f} "
        f"{quality.rms_mm:.3f} {quality.max_mm:.3f} {spent * 1000:5.0f}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("truth", nargs="?", default="")
    parser.add_argument("--sigma", type=float, nargs="*", default=[0.01, 0.02, 0.05])
    parser.add_argument("--together", type=int, default=1)
    parser.add_argument("--outliers", type=int, default=0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    given = parser.parse_args()
    shapes = catalogue() + (practice(given.truth) if given.truth else [])
    print(
        "shape              points sigma pieces            corners rms  /sigma max       extrema break  fit rms max  ms"
    )
    for shape in shapes:
        for sigma in given.sigma:
            if given.only in shape.name:
                row(shape, Roughness(sigma, given.together, outliers=given.outliers, seed=given.seed))


if __name__ == "__main__":
    main()
