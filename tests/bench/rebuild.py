"""How well broken parts are put together again: parts of known shape snapped in twenty ways.

    python -m tests.bench.rebuild [PRACTICE_FOLDER] [--only NAME] [--seed N]

The shapes are the true outlines of the folder's scenes; without one, some of our own. Then, with the folder, the
broken parts of its photos. Limits: RMS 0.10 mm and 0.35 mm at most outside the fracture, joint angle 0.05 deg. A part
beyond a limit counts as wrong only where nothing was said: no refusal, no caveat.
"""

import argparse
import json
import time
from pathlib import Path

import numpy as np
from shapely import Polygon

from digitize.model.errors import DigitizeError
from digitize.rebuild.fragments import joined
from tests.fitting.shapes import catalogue
from tests.rebuild.snaps import Snap, break_line, broken, judged, snapped

LIMITS = (0.10, 0.35, 0.05)
UNUSABLE = ("comb", "bracket_copy")  # no place to snap across; a chipped corner that a fit makes sharp
OWN = ("rounded rectangle", "ogee panel", "cloud lift", "ellipse", "D")


def shapes(folder: Path | None) -> dict[str, Polygon]:
    if folder is None or not (folder / "truth.json").exists():
        print("practice shapes skipped: give their folder (with truth.json in it)")
        return {s.name: Polygon(s.loops[0], s.loops[1:]) for s in catalogue() if s.name in OWN}
    found = {}
    for path in sorted((folder / "truth").glob("s??.json")):
        truth = json.loads(path.read_text())
        outline = truth.get("whole_outline_part_frame") or (truth.get("parts") or [{}])[0].get("outline_part_frame")
        if outline and truth["shape"] not in found:
            found[truth["shape"]] = Polygon(outline["outer"], outline["holes"])
    return found


def snaps(parts: dict[str, Polygon], seed: int):
    """Twenty snaps across the length of parts, at places where a break makes exactly one piece more."""
    kinds = [("straight", 0.0, 0, 1), ("jagged", 3.0, 0, 1), ("splinters", 3.0, 3, 1), ("three pieces", 3.0, 1, 2)]
    usable = {n: p for n, p in parts.items() if n not in UNUSABLE}
    names = sorted(usable)
    for k in range(20):
        kind, jag, splinters, breaks = kinds[k % len(kinds)]
        rng = np.random.default_rng(1000 * seed + k)
        name = names[(k // len(kinds) + k) % len(names)]
        whole = usable[name]
        yield make(f"{k + 1:2d} {name} {kind}", whole, rng, jag, splinters, breaks)


def make(name: str, whole: Polygon, rng: np.random.Generator, jag: float, splinters: int, breaks: int) -> Snap:
    x0, y0, x1, y1 = whole.bounds
    long = x1 - x0 >= y1 - y0
    for _ in range(200):
        lines = []
        for n in range(breaks):
            low, high = (0.2, 0.8) if breaks == 1 else (0.2 + 0.35 * n, 0.4 + 0.35 * n)
            at, lean = rng.uniform(low, high), rng.uniform(-0.12, 0.12)
            ends = [(at + sign * lean, 0.5 + sign * 0.7) for sign in (-1, 1)]
            ends = ends if long else [(v, u) for u, v in ends]
            a, b = ((x0 + u * (x1 - x0), y0 + v * (y1 - y0)) for u, v in ends)
            lines.append(break_line(rng, a, b, jag))
        hits = [line.intersection(whole) for line in lines]
        apart = breaks == 1 or not lines[0].intersects(lines[1])
        if apart and all(h.length > 15 for h in hits) and len(broken(whole, lines)) == breaks + 1:
            return snapped(name, whole, lines, rng, splinters, noise=float(rng.uniform(0.01, 0.02)))
    raise RuntimeError(f"no break found across {name}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print("snap                            pieces    rms    max   deg    fracture      s  told")
    good = wrong = total = 0
    for snap in snaps(shapes(given.folder), given.seed):
        if given.only not in snap.name:
            continue
        total += 1
        began = time.process_time()
        try:
            result = joined(snap.outlines)
        except DigitizeError as error:
            print(f"{snap.name:32} {len(snap.outlines)}  refused: {error}", flush=True)
            continue
        spent = time.process_time() - began
        r = judged(snap, result)
        within = r.rms <= LIMITS[0] and r.largest <= LIMITS[1] and r.angle_deg <= LIMITS[2]
        good += within
        wrong += not within and not result.caveats
        told = "; ".join(c.problem for c in result.caveats)
        print(
            f"{snap.name:32} {len(snap.outlines)}     {r.rms:.4f} {r.largest:6.3f} {r.angle_deg:6.3f} "
            f"{r.anywhere:6.2f} {spent:8.2f}  {'' if within else 'BEYOND '}{told}",
            flush=True,
        )
    print(f"{good} of {total} within the limits, {wrong} silently wrong")


if __name__ == "__main__":
    main()
