"""What the page draws and lists, as JSON holds it: a work, its outline, a plan, a comparison, kept patterns.

All places are in the coordinates of the work's stage (``Work.to_stage``).
"""

from __future__ import annotations

import math
from typing import Any
from urllib.parse import quote

import numpy as np
import numpy.typing as npt
import shapely

from digitize.catalogue.find import Found
from digitize.catalogue.index import Entry
from digitize.catalogue.told import entry_words
from digitize.compare.compare import Comparison
from digitize.compare.report import rows as comparison_rows
from digitize.compare.report import verdict
from digitize.draft import Draft
from digitize.editing.joints import joints
from digitize.editing.measured import invented_length
from digitize.formats.compare_page import magnification
from digitize.formats.fullsize import arranged
from digitize.formats.paper import Paper
from digitize.formats.png import BAND_TIMES
from digitize.model.segment import Points
from digitize.shop.fibre import edge_steps, points_along
from digitize.shop.plan import Plan
from digitize.shop.told import left_places, run_words, tip_words
from digitize.shop.told import rows as plan_rows
from digitize.vision.polyline import outward
from digitize.web.desk import Work
from digitize.web.jobs import Job
from digitize.web.lines import along, closed, listed, placed
from digitize.web.tiles import TILE_PX
from digitize.web.words import spoken

Json = dict[str, Any]

BAND_POINTS = 300  # of each loop: a band is smooth
RUN_STEP_MM, RUN_STEP_SHARE = 1.0, 1 / 300  # between points of a run as drawn; of the part's larger side, where less
ARROW_MM, ARROW_SHARE = 60.0, 0.9  # of the grain arrow; of the room there is
DRILL_POINTS = 24


def work_values(work: Work) -> Json:
    """Everything about one work."""
    traced = work.at >= 0
    values: Json = {
        "id": work.ident,
        "name": work.name,
        "kind": "photo" if work.shot else "pattern",
        "traced": traced,
        "stage": _stage(work),
        "told": work.told,
        "sheets": [
            {"name": name, "ring": listed(ring), "points": listed(points)}
            for name, ring, points in (work.seen.sheets if work.seen else ())
        ],
        "advice": spoken(work.seen.advice) if work.seen else "",
        "grain_seen": _grain_seen(work),
        "warnings": [spoken(str(c)) for c in work.pattern.caveats] if traced else [],
        "marks": _marks(work),
    }
    return values | (edited_values(work) if traced else {})


def brief(work: Work) -> Json:
    return {
        "id": work.ident,
        "name": work.name,
        "kind": "photo" if work.shot else "pattern",
        "traced": work.at >= 0,
        "kept": work.is_kept,
    }


def job_values(job: Job) -> Json:
    """Work that goes on: what it is known as, and the document that it gives, where that is a new one."""
    return {"job": job.ident, "doc": job.gives}


def _stage(work: Work) -> Json:
    if work.shot:
        width, height = work.shot.size
        tiles = f"/api/desk/{work.ident}/tiles/{{z}}-{{x}}-{{y}}.jpg"
        return {"kind": "photo", "width": width, "height": height, "tiles": tiles, "tile_size": TILE_PX}
    return {"kind": "drawing", "bounds": list(work.draft.outline.bounds())}


def _grain_seen(work: Work) -> Json | None:
    deg = work.seen.grain_deg if work.seen else None
    if deg is None:
        return None
    return {"deg": round(deg, 1), "words": f"The wood seems to run along {deg:.0f}°; look before believing it."}


def _marks(work: Work) -> Json:
    if work.at < 0:
        return {"name": work.name, "notes": "", "stock": "", "tags": "", "stem": None}
    p = work.pattern
    return {"name": p.name, "notes": p.notes, "stock": p.stock, "tags": ", ".join(p.tags), "stem": work.stem}


def edited_values(work: Work) -> Json:
    """What changes with every edit."""
    draft = work.draft
    return {
        "outline": outline_values(work, draft),
        "facts": _facts(draft),
        "steps": [step.what for step in draft.pattern.steps],
        "can_undo": work.at > 0,
        "can_redo": work.at < len(work.drafts) - 1,
        "kept": work.is_kept,
        "thickness_mm": draft.pattern.thickness_mm,
        "grain_deg": draft.pattern.grain_deg,
        "arrow": _arrow(work, draft),
        "made": _made(work),
    }


def _made(work: Work) -> Json | None:
    """How the state was rebuilt, and what of; several outlines are numbered where they lie."""
    if work.made is None:
        return None
    several = len(work.made.before) > 1
    before = [
        {
            "loops": [placed(work, closed(loop)) for loop in outline.loops],
            "number": k if several else None,
            "at": placed(work, outline.polygon().representative_point().coords)[0],
        }
        for k, outline in enumerate(work.made.before, start=1)
    ]
    return {"words": [spoken(words) for words in work.made.words], "before": before}


def loops_values(work: Work, draft: Draft) -> list[Any]:
    """The edge to draw: a closed polyline for each loop."""
    return [placed(work, closed(loop), draft) for loop in draft.outline.loops]


def outline_values(work: Work, draft: Draft) -> Json:
    """An outline to draw, with all that goes with it."""
    outline = draft.outline
    found = joints(outline)
    return {
        "loops": loops_values(work, draft),
        "joints": [
            {"loop": j.loop, "index": j.index, "at": at, "sharp": bool(j.sharp)}
            for j, at in zip(found, placed(work, [j.at for j in found], draft), strict=True)
        ],
        "bands": [placed(work, band, draft) for band in _bands(draft)],
        "invented": [placed(work, along(outline.loops[s.loop], s), draft) for s in draft.pattern.invented],
        "words": size_words(draft),
    }


def size_words(draft: Draft) -> str:
    width, height = draft.pattern.size
    sure = "" if draft.pattern.uncertainty is None else f" ± {draft.pattern.uncertainty:.2f} mm (k = 2)"
    return f"{width:.2f} × {height:.2f} mm{sure}"


def _facts(draft: Draft) -> list[list[str]]:
    p = draft.pattern
    rows = [
        ("Size", size_words(draft)),
        ("Thickness", "not known" if p.thickness_mm is None else f"{p.thickness_mm:g} mm"),
        ("Outline", f"{len(p.outline.segments)} pieces, {len(p.outline.corners())} corners"),
        ("Holes", str(len(p.outline.holes)) if p.outline.holes else ""),
        ("Fit", f"{p.fit.rms_mm:.3f} mm RMS from the edge points" if p.fit else ""),
        ("Not measured", f"{invented_length(p.outline, p.invented):.0f} mm of the edge" if p.invented else ""),
        ("Grain", "" if p.grain_deg is None else f"along {p.grain_deg:.0f}° from the level"),
        ("Photo", p.measured.photo if p.measured else ""),
    ]
    return [[label, text] for label, text in rows if text]


def _arrow(work: Work, draft: Draft) -> list[Any] | None:
    if draft.pattern.grain_deg is None:
        return None
    angle = math.radians(draft.pattern.grain_deg)
    circle = shapely.maximum_inscribed_circle(draft.outline.polygon(0.1), tolerance=0.5)
    half = min(ARROW_MM / 2, ARROW_SHARE * circle.length)
    way = half * np.array([math.cos(angle), math.sin(angle)])
    middle = np.asarray(circle.coords[0])
    return placed(work, [middle - way, middle + way], draft)


def _bands(draft: Draft) -> list[Points]:
    """Where the true edge lies, many times as wide: for each loop one ring outside the edge points, and one inside."""
    rings = []
    for points, half in zip(draft.edges, draft.half, strict=True):
        step = max(1, len(points) // BAND_POINTS)
        here, aside = points[:-1:step], BAND_TIMES * half[:-1:step, None]
        aside = aside * outward(here, 1)
        if (points[0] != points[-1]).any():  # not closed: its ends have no neighbours to tell what is outward
            here, aside = here[1:-1], aside[1:-1]
            rings += [np.vstack([here, (here + side)[::-1]]) for side in (aside, -aside) if len(here) > 1]
            continue
        for side in (aside, -aside):
            rings.append(np.vstack([here, here[:1], (here + side)[:1], (here + side)[::-1]]))
    return rings


def plan_values(work: Work, found: Plan) -> Json:
    """A plan on the stage, and beside it."""
    steps = edge_steps(found.outline)
    runs: list[Json] = [{"order": r.order, "words": run_words(r), "feed": r.feed, "path": []} for r in found.runs]
    x0, y0, x1, y1 = found.outline.bounds()
    step = min(RUN_STEP_MM, RUN_STEP_SHARE * max(x1 - x0, y1 - y0))
    for values, run in zip(runs, found.runs, strict=True):
        count = max(2, math.ceil(run.length_mm / step) + 1)
        distances = run.start_mm + (1 if run.forward else -1) * np.linspace(0, run.length_mm, count)
        values["path"] = placed(work, points_along(steps, run.loop, distances))
    rough, tips = found.rough, found.grain.tips if found.grain else ()
    turn = np.linspace(0, 2 * math.pi, DRILL_POINTS)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    drills = [np.asarray(d.at) + d.diameter_mm / 2 * circle for d in rough.drills] if rough else []
    best = found.best_grain_deg
    clear = f"strongest along {best:.0f}°" if found.sweep.matters else "no direction is clearly better"
    return {
        "runs": runs,
        "saw": [placed(work, closed(loop)) for loop in rough.loops] if rough else [],
        "drills": [placed(work, ring) for ring in drills],
        "reliefs": [placed(work, [r.start, r.end]) for r in rough.reliefs] if rough else [],
        "tips": [{"words": tip_words(t), "fibre": placed(work, t.fibre), "at": placed(work, [t.at])[0]} for t in tips],
        "left": [{"name": name, "at": placed(work, [at])[0]} for name, at in left_places(found)],
        "rows": [[label, spoken(text)] for label, text in plan_rows(found) if label != "Caution"],
        "cautions": [spoken(c) for c in found.cautions],
        "best_grain": {"deg": best, "words": clear},
    }


def comparison_values(work: Work, found: Comparison) -> Json:
    """A comparison drawn on the part that was compared."""
    x0, y0, x1, y1 = found.master.outline.bounds()
    times = magnification(found, max(x1 - x0, y1 - y0))
    told = comparison_rows(found)
    return {
        "verdict": found.decision.verdict.value if found.decision else None,
        "words": spoken(verdict(found)),
        "rows": [[label, spoken(text)] for label, text in told[1:]],
        "magnified": times,
        "master": [_on_part(work, found, closed(loop)) for loop in found.master.outline.loops],
        "bands": _deviations(work, found, times),
        "stretches": [
            {"number": k, "at": _on_part(work, found, [s.at])[0], "words": f"{s.extreme:+.2f} mm"}
            for k, s in enumerate(found.stretches, start=1)
        ],
    }


def _deviations(work: Work, found: Comparison, times: int) -> list[Json]:
    """Rings between the master's line and where the part lies, magnified, each as far as it is on one side."""
    d, stations, half = found.deviations, found.deviations.stations, (found.how.zone or 0.0) / 2
    side = np.where(np.abs(d.value) <= half, 0, np.sign(d.value))
    tips = stations.points + d.way * (d.value * times)[:, None]
    rings = []
    for loop in range(len(found.master.outline.loops)):
        here = np.flatnonzero((stations.loop == loop) & np.isfinite(d.value))
        here = here[np.argsort(stations.along[here], kind="stable")]
        if not len(here):
            continue
        breaks = np.flatnonzero(np.diff(side[here])) + 1
        for run in np.split(here, breaks):
            onward = here[(np.flatnonzero(here == run[-1])[0] + 1) % len(here)]
            stretch = np.append(run, onward)
            ring = np.vstack([stations.points[stretch], tips[stretch][::-1]])
            kind = {0: "within", 1: "on", -1: "off"}[int(side[run[0]])]
            rings.append({"side": kind, "ring": _on_part(work, found, ring)})
    return rings


def _on_part(work: Work, found: Comparison, points: npt.ArrayLike) -> list[Any]:
    """Points (N, 2) of the master as they lie on the part, on its stage."""
    back = found.registration.placement.back(np.asarray(points, dtype=float))
    return placed(work, back * (-1.0, 1.0) if found.how.mirrored else back)


def pages_values(work: Work, paper: Paper) -> Json:
    """The sheets of paper that the pattern takes at full size."""
    _, pages = arranged(work.pattern, paper)
    count = len(pages.tiles)
    way = f"{pages.columns} across and {pages.rows} up, taped together"
    words = f"1 sheet of {paper.name}" if count == 1 else f"{count} sheets of {paper.name}, {way}"
    rings = [np.asarray(tile.box.exterior.coords) for tile in pages.tiles]
    return {"words": words, "sheets": [placed(work, ring) for ring in rings]}


def kept_values(entry: Entry, found: Found | None = None) -> Json:
    """One kept pattern in a list, and how it differs from the shape that was looked for."""
    return {
        "stem": entry.stem,
        "name": entry.name,
        "words": entry_words(entry),
        "size": f"{entry.width:.1f} × {entry.height:.1f} mm",
        "thickness_mm": entry.thickness,
        "stock": entry.stock,
        "tags": list(entry.tags),
        "preview": f"{kept_address(entry.stem)}/preview.png",
        "alike": None if found is None else _alike(found),
    }


def kept_address(stem: str) -> str:
    """Where the page asks about a kept pattern."""
    return f"/api/patterns/{quote(stem, safe='')}"


def _alike(found: Found) -> str:
    known = found.largest_mm is not None
    apart = f"{found.difference_mm:.2f} mm RMS apart" if known else f"about {found.difference_mm:.1f} mm apart"
    return apart + (", as its mirror image" if found.mirrored else "")
