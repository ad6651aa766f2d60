"""How fast and how surely patterns are found again among thousands.

    python -m tests.bench.catalogue [PRACTICE_FOLDER] [--patterns 5000]

The true outlines of the folder's scenes are hidden among invented patterns that are made of the same shapes, stretched,
bent, turned and turned over; each photo, traced, should find its own shape first. Without the folder, invented
shapes are looked for by noisy outlines. Times are CPU time of this process, seconds.
"""

import argparse
import json
import math
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from digitize.catalogue.find import Asked, find, find_like
from digitize.catalogue.index import INDEX, ask, faults
from digitize.compare.placement import turned_over
from digitize.fitting import fit_outline
from digitize.model.outline import Outline
from tests.bench.contours_on_disk import contours_of
from tests.bench.scenes_on_disk import scenes
from tests.catalogue.shelf import as_outline, chairs, invented, put, relatives

REBUILD_S, TEXT_S, SHAPE_S, FIRST = 60.0, 0.05, 1.0, 0.95
QUESTIONS = ("oak", "sto", "drawer 12", "quill wal", "leg cherry board", "rail 40", "splat", "nothing like it")
TIMES = 5


def silent(step: str, done: float) -> None:
    pass


def timed(what: Callable[[], object]) -> float:
    began = time.process_time()
    what()
    return time.process_time() - began


def sought(folder: Path | None) -> tuple[dict[str, Outline], list[tuple[str, str, Outline]]]:
    """Hidden shapes by name; and what to look for: a label, the name that is right, the outline."""
    if folder is None or not (folder / "truth.json").exists():
        print("practice photos skipped: give their folder (with truth.json in it)")
        hidden = {f"own-{i}": shape for i, shape in enumerate(relatives(chairs(), 20, 99))}
        return hidden, [(n, n, turned_over(o).moved(1.0, (9.0, 5.0))) for n, o in hidden.items()]
    hidden, looked = {}, []
    for scene in scenes(folder):
        if not scene.truth.exists():
            continue
        truth = json.loads((folder / "truth" / f"{scene.name}.json").read_text())
        for k, world in enumerate(truth["outlines_world"]):
            name = truth["shape"] if len(truth["outlines_world"]) == 1 else f"{truth['shape']} piece {k}"
            hidden.setdefault(name, as_outline([np.array(world["outer"]), *(np.array(h) for h in world["holes"])]))
        for part in contours_of(scene):
            outline = fit_outline(part)[0]
            x, y = np.mean([outline.bounds()[:2], outline.bounds()[2:]], axis=0)
            middles = [np.mean(np.array(w["outer"]), axis=0) for w in truth["outlines_world"]]
            k = int(np.argmin([math.dist((x, y), m) for m in middles]))
            name = truth["shape"] if len(middles) == 1 else f"{truth['shape']} piece {k}"
            looked.append((scene.name, name, outline))
    return hidden, looked


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--patterns", type=int, default=5000)
    given = parser.parse_args()
    hidden, looked = sought(given.folder)
    with tempfile.TemporaryDirectory() as place:
        shelf = Path(place)
        for i, (name, outline) in enumerate(hidden.items()):
            put(shelf, invented(outline.moved(0.7 * i, (30.0, -8.0)), i).model_copy(update={"name": name}), name)
        for i, outline in enumerate(relatives(list(hidden.values()), given.patterns - len(hidden), 1)):
            put(shelf, invented(outline, i + 1000))
        report(shelf, looked)


def report(shelf: Path, looked: list[tuple[str, str, Outline]]) -> None:
    rebuilt = timed(lambda: ask(shelf, faults))
    print(f"index made of {len(list(shelf.glob('*.json')))} patterns: {rebuilt:.1f} s (limit {REBUILD_S:g})")
    print(f"index {(shelf / INDEX).stat().st_size / 1e6:.1f} MB")
    slowest = 0.0
    for words in QUESTIONS:
        took = statistics.median(timed(lambda w=words: find(shelf, Asked(w), silent)) for _ in range(TIMES))
        slowest = max(slowest, took)
        print(f"{words:20} {len(find(shelf, Asked(words), silent)[0]):5d} found  {1000 * took:6.1f} ms")
    print(f"slowest text search {1000 * slowest:.1f} ms (limit {1000 * TEXT_S:g})\n")
    print("sought  shape                 first    differs    next: name       differs      s")
    first, times = 0, []
    for label, name, outline in looked:
        began = time.process_time()
        found, _ = find_like(shelf, outline, Asked(), 5, silent)
        times.append(time.process_time() - began)
        right = found[0].entry.name == name
        first += right
        print(
            f"{label:7} {name:20} {'yes' if right else 'NO':6} {found[0].difference_mm:8.3f} mm"
            f"{' m' if found[0].mirrored else '  '}  {found[1].entry.name:16} {found[1].difference_mm:8.2f} "
            f"{times[-1]:6.2f}"
        )
    print(
        f"{first} of {len(looked)} first ({first / len(looked):.0%}, limit {FIRST:.0%}); "
        f"median {statistics.median(times):.2f} s, slowest {max(times):.2f} s (limit {SHAPE_S:g})"
    )


if __name__ == "__main__":
    main()
