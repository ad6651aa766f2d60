"""Comparisons put to the test: a thousand parts with known deviations, and the practice photos.

    python -m tests.bench.compare [PRACTICE_FOLDER] [PARTS]

Without a folder of practice photos (truth.json, photos/, truth/) only the synthetic parts are compared.
"""

import itertools
import json
import math
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from digitize.cli import main as command
from digitize.compare.compare import How, compare
from digitize.compare.stations import Master
from digitize.compare.verdict import Verdict
from digitize.files import read_pattern
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution, Pattern
from digitize.model.segment import Line
from tests.bench.scenes_on_disk import Scene, scenes
from tests.compare.synthetic import EdgeNoise, bump, displaced, drawn, measured, stretched, thrown, tipped, together
from tests.helpers import bracket

EDGE_MM, SIZE_PPM = 0.025, 300.0
CAUSES = (Contribution("print scale of the sheets", SIZE_PPM, 0.0), Contribution("place of the edge", 0.0, EDGE_MM))
ZONE_MM = 0.5
HEIGHTS_MM = (0.1, 0.4)  # of the known deviation, either way: about the limit of ±0.25 mm, where verdicts are hard
ASKED = 15  # stations of each part whose interval is checked
SAME_PART = [("s06", "s12"), ("s06", "s26"), ("s12", "s26"), ("s01", "s19"), ("s07", "s16")]


@dataclass(frozen=True)
class Trial:
    """One part: whether it truly is within the zone, the verdict, and which intervals held the known deviation."""

    good: bool
    verdict: Verdict
    covered: list[bool]


def trial(chance: np.random.Generator) -> Trial:
    """A part with one bump or dip of known height, measured with the errors that CAUSES state, lying anywhere."""
    outline = (bracket(), tipped())[int(chance.integers(2))]
    true = Master.of(outline)
    edge = chance.choice([e for e in true.edges if e.length >= 30.0])
    height = float(chance.uniform(*HEIGHTS_MM) * chance.choice([-1, 1]))
    field = bump(edge.number, float(chance.uniform(12, edge.length - 12)), height, float(chance.uniform(12, 20)))

    def wrong(known):
        seen = displaced(outline, together(known, EdgeNoise(outline, EDGE_MM, chance)))
        return stretched(seen, 1 + SIZE_PPM * 1e-6 * float(chance.standard_normal()))

    nothing = bump(0, 0.0, 0.0, 1.0)
    part = measured(thrown(wrong(field), chance), CAUSES)
    master = measured(wrong(nothing), CAUSES, "master") if chance.random() < 0.5 else drawn(outline)
    found = compare(part, master, How(zone=ZONE_MM, spacing=1.0))
    assert found.decision is not None
    asked = chance.choice(np.flatnonzero(found.deviations.judged), ASKED, replace=False)
    known = _known(true, found.deviations.stations.some(asked), field)
    covered = np.abs(found.deviations.value[asked] - known) <= found.deviations.expanded[asked]
    return Trial(abs(height) <= ZONE_MM / 2, found.decision.verdict, covered.tolist())


def _known(true: Master, stations, field) -> np.ndarray:
    """The known deviations at the places of the true master that the stations stand for."""
    known = np.zeros(len(stations.points))
    for i, (point, loop) in enumerate(zip(stations.points, stations.loop, strict=True)):
        curves = true.curves[loop]
        along = float(curves.nearest(point[None]).along[0])
        for edge in true.edges:
            within = (along - edge.start) % curves.length
            if edge.loop == loop and within < edge.length:
                known[i] = field(edge.number, np.array([within]))[0]
    return known


def synthetic(count: int) -> None:
    begin = time.process_time()
    trials = [trial(np.random.default_rng(k)) for k in range(count)]
    covered = [c for t in trials for c in t.covered]
    print(f"{count} synthetic parts, edges {EDGE_MM} mm, sizes {SIZE_PPM:g} ppm, zone {ZONE_MM} mm")
    print(f"  intervals (k = 2) that hold the known deviation: {np.mean(covered):.1%} of {len(covered)}")
    for verdict, wrong in ((Verdict.CONFORMS, False), (Verdict.DOES_NOT_CONFORM, True)):
        said = [t for t in trials if t.verdict == verdict]
        bad = sum(t.good == wrong for t in said)
        print(
            f"  “{verdict}”: {len(said)}, wrong {bad} ({bad / count:.2%} of all parts, {bad / len(said):.2%} of these)"
        )
    print(f"  {(time.process_time() - begin) / count:.3f} s of CPU each, making the part included")


def traced(scene: Scene, work: Path) -> Pattern:
    """The scene's part as the command line traces it with its check lines measured."""
    out = work / f"{scene.name}.pattern.json"
    lines = "250,175" if scene.plain else "150,150"
    if command([*scene.arguments, "--check-lines", lines, "-o", str(out), "--force"]) != 0:
        raise SystemExit(f"{scene.name} was not traced")
    return read_pattern(out)


def truth(scene: Scene) -> Outline:
    nominal = json.loads(scene.truth.read_text())["parts"][0]["outline_part_frame"]

    def loop(points: list) -> Loop:
        return Loop(tuple(Line(tuple(a), tuple(b)) for a, b in zip(points, points[1:] + points[:1], strict=True)))

    return Outline.of(loop(nominal["outer"]), [loop(h) for h in nominal["holes"]])


def any_angle(patterns: dict[str, Pattern]) -> None:
    print("registration of each outline on itself from 24 angles: largest error of its points, other placements")
    for name, pattern in patterns.items():
        worst, seconds = 0.0, []
        for k in range(24):
            part = pattern.model_copy(update={"outline": pattern.outline.moved(math.tau * k / 24 + 0.1, (90.0, -40.0))})
            begin = time.process_time()
            found = compare(part, pattern, How(spacing=2.0))
            seconds.append(time.process_time() - begin)
            worst = max(worst, *np.abs(found.deviations.extremes))
        registration = found.registration
        turns = [round(math.degrees(t) % 360) for t in registration.other_turns]
        say = "any turn" if registration.free_turn else turns or "none"
        print(f"  {name}: {worst:.2e} mm, {say}, {np.median(seconds):.3f} s")


def photos(folder: Path) -> None:
    known = {s.name: s for s in scenes(folder) if s.expect != "refuse" and not s.broken}
    with tempfile.TemporaryDirectory() as work:
        patterns = {name: traced(scene, Path(work)) for name, scene in known.items()}
    any_angle(patterns)
    print("routed copy s05 against its master s04, and against the master's truth")
    for base in (patterns["s04"], drawn(truth(known["s04"]))):
        found = compare(patterns["s05"], base, How(zone=0.3))
        for s in found.stretches:
            print(
                f"  {s.extreme:+.3f} ± {s.uncertainty:.3f} mm over {s.length:.1f} mm at ({s.at[0]:.1f}, {s.at[1]:.1f})"
            )
        outside = ~np.any(
            [np.linalg.norm(found.deviations.stations.points - s.at, axis=1) < s.length for s in found.stretches],
            axis=0,
        )
        print(f"  elsewhere at most {np.abs(found.deviations.value[outside]).max():.3f} mm")
    print("the same part in two photos, zone 0.5 mm")
    for a, b in itertools.chain(SAME_PART):
        found = compare(patterns[a], patterns[b], How(zone=0.5))
        low, high = found.deviations.extremes
        most = found.deviations.expanded.max()
        spread = f"p95 {found.deviations.p95:.3f}, {low:+.3f} .. {high:+.3f} mm, U up to {most:.3f}"
        print(f"  {a} on {b}: {spread}: {found.decision.verdict if found.decision else ''}")
    base = patterns["s04"]
    spacing = base.outline.outer.length / 20_000
    begin = time.process_time()
    found = compare(patterns["s05"], base, How(zone=0.5, spacing=spacing))
    print(f"{len(found.deviations.value)} deviations in {time.process_time() - begin:.3f} s of CPU, placement included")


def main(*arguments: str) -> None:
    counts = [int(a) for a in arguments if a.isdigit()]
    folders = [Path(a) for a in arguments if not a.isdigit()]
    synthetic(counts[0] if counts else 1000)
    if folders and (folders[0] / "truth.json").exists():
        photos(folders[0])
    else:
        print("practice photos skipped: give the folder with truth.json in it")


if __name__ == "__main__":
    main(*sys.argv[1:])
