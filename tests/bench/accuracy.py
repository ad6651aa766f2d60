"""Every practice photo traced by the whole command, scored against its exact truth; the afternoon script beside it.

    python -m tests.bench.accuracy PRACTICE_FOLDER [SCENE ...]

The folder holds truth.json, photos/, truth/, floor.json; score.py and baseline.py lie beside it.
"""

import contextlib
import io
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from digitize.cli import main as command
from tests.bench.scenes_on_disk import Scene, scenes

COMMAND = """import sys
from digitize.cli import main
code = main(sys.argv[1:])
print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0])
sys.exit(code)
"""  # the command, which then tells its own peak of memory: a child's rusage would count its parent's
HEAD = (
    "scene",
    "loops",
    "rms",
    "/floor",
    "px",
    "p95",
    "max",
    "mean",
    "ppm",
    "pieces",
    "in s",
    "cmd s",
    "MB",
    "script rms",
    "says",
)
FORM = "{:6} {:5} {:>7} {:>6} {:>6} {:>7} {:>7} {:>8} {:>6} {:>6} {:>5} {:>6} {:>5} {:>10}  {}"


def run_whole(arguments: list[str]) -> tuple[int, float, float, str]:
    """Exit code, wall seconds, peak MB and what went to stdout and stderr, of the command in a fresh process."""
    begin = time.perf_counter()
    child = subprocess.run([sys.executable, "-c", COMMAND, *arguments], capture_output=True, text=True)
    *said, peak = (child.stderr + child.stdout).strip().splitlines()
    return child.returncode, time.perf_counter() - begin, float(peak) / 1024, "\n".join(said)


def run_inside(arguments: list[str]) -> float:
    """Seconds from photo to DXF with everything imported."""
    begin = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        command(arguments)
    return time.perf_counter() - begin


def scored(scene: Scene, dxf: Path) -> dict | None:
    run = subprocess.run(
        [sys.executable, str(scene.folder.parent / "score.py"), str(dxf), str(scene.truth)],
        capture_output=True,
        text=True,
    )
    return json.loads(run.stdout) if run.returncode == 0 else None


def row(scene: Scene, work: Path) -> dict:
    dxf = work / f"{scene.name}.dxf"
    options = ["--dxf", str(dxf), "-o", str(work / f"{scene.name}.pattern.json"), "--force"]
    code, seconds, memory, said = run_whole([*scene.arguments, *options])
    result = {
        "scene": scene,
        "code": code,
        "cmd": seconds,
        "mb": memory,
        "said": said,
        "in": run_inside([*scene.arguments, *options]),
    }
    if code == 0:
        result["score"] = scored(scene, dxf)
        values = run_whole([*scene.arguments, "--json", "-o", str(work / "again.pattern.json"), "--force"])[3]
        result["json"] = json.loads(values.strip().splitlines()[-1])
    rough = work / f"{scene.name}-script.dxf"
    script = [
        str(scene.folder.parent / "baseline.py"),
        str(scene.photo),
        str(rough),
        *(["plain"] if scene.plain else []),
    ]
    if subprocess.run([sys.executable, *script], capture_output=True).returncode == 0:
        result["script"] = scored(scene, rough)
    return result


def printed(result: dict) -> str:
    scene, score = result["scene"], result.get("score")
    script = (result.get("script") or {}).get("worst")
    warnings = result.get("json", {}).get("warnings", [])
    says = (
        f"{scene.expect}: exit {result['code']}, {len(warnings)} warnings"
        if result["code"] == 0
        else result["said"].strip()[-110:]
    )
    script_rms = f"{script['rms_mm']:.3f}" if script else "none"
    if not score or "worst" not in score:
        return FORM.format(
            scene.name,
            "-",
            *["-"] * 8,
            f"{result['in']:.2f}",
            f"{result['cmd']:.2f}",
            f"{result['mb']:.0f}",
            script_rms,
            says,
        )
    worst = score["worst"]
    pieces = sum(loop["entity_count"] for loop in score["loops"])
    floor = f"{worst['rms_mm'] / scene.floor:.2f}" if scene.floor else "-"
    return FORM.format(
        scene.name,
        "all" if score["all_loops_found"] and not score["extra_loops"] else "NO",
        f"{worst['rms_mm']:.4f}",
        floor,
        f"{worst['rms_mm'] / result['json']['mm_per_px']:.3f}",
        f"{worst['p95_mm']:.3f}",
        f"{worst['max_two_sided_mm']:.3f}",
        f"{worst['signed_mean_mm']:+.4f}",
        f"{worst['scale_ppm']:.0f}",
        pieces,
        f"{result['in']:.2f}",
        f"{result['cmd']:.2f}",
        f"{result['mb']:.0f}",
        script_rms,
        says,
    )


def main(folder: str, *names: str) -> None:
    print(FORM.format(*HEAD), flush=True)
    results = []
    with tempfile.TemporaryDirectory() as work:
        for scene in scenes(Path(folder)):
            if not names or scene.name in names:
                results.append(row(scene, Path(work)))
                print(printed(results[-1]), flush=True)
    good = [r for r in results if r.get("score") and "worst" in r["score"]]
    ratios = [r["score"]["worst"]["rms_mm"] / r["scene"].floor for r in good if r["scene"].floor]
    print(f"median rms / floor {statistics.median(ratios):.2f}; ", end="")
    print(f"median in process {statistics.median(r['in'] for r in results):.2f} s, ", end="")
    print(f"command {statistics.median(r['cmd'] for r in results):.2f} s, peak {max(r['mb'] for r in results):.0f} MB")


if __name__ == "__main__":
    if len(sys.argv) < 2 or not Path(sys.argv[1], "truth.json").exists():
        sys.exit("skipped: give the folder of practice photos (with truth.json in it)")
    main(*sys.argv[1:])
