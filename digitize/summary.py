"""What a tracing tells: the values for machines, the summary for the terminal, the caption of the picture."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from digitize.formats.png import BAND_TIMES
from digitize.meaning.meanings import Kind, Meaning
from digitize.model.pattern import Pattern, size_uncertainty
from digitize.pipeline import Tracing

MOST_MEANINGS = 6  # at a terminal
SIZED = (Kind.RADIUS, Kind.DIAMETER, Kind.EQUAL_RADIUS, Kind.SIZE, Kind.SLOT, Kind.SPACING, Kind.SYMMETRIC)


def values(tracing: Tracing, files: Sequence[Path]) -> dict[str, Any]:
    """The results as JSON holds them.

    ``size_mm`` is width and height of the largest part; ``uncertainty_mm`` is the expanded uncertainty (k = 2, about
    95 %) of the larger of the two.
    """
    view, largest = tracing.traced.view, tracing.largest
    return {
        "photos": tracing.traced.photos,
        "size_mm": _size(largest),
        "parts": [{"name": p.name, "size_mm": _size(p), "uncertainty_mm": _uncertainty(p)} for p in tracing.patterns],
        "sheets": [{"number": s.sheet.number, "grid_points": len(s.ids)} for s in view.sightings],
        "reprojection_rms_px": round(view.rms_px, 4),
        "camera_height_mm": round(view.height, 2),
        "tilt_deg": round(math.degrees(view.tilt), 3),
        "mm_per_px": round(tracing.traced.mm_per_px, 6),
        "uncertainty_mm": _uncertainty(largest),
        "budget": [
            {"cause": c.name, "size_ppm": round(c.size_ppm, 1), "edge_mm": round(c.edge_mm, 5)}
            for c in tracing.traced.budget.contributions
        ],
        "band_mm": _bands(tracing),
        "meanings": [
            {
                "part": pattern.name,
                "kind": m.kind,
                "at_mm": [round(x, 2) for x in m.at],
                "measured": round(m.measured, 4),
                "uncertainty": round(m.uncertainty, 4),
                "meant": round(m.meant, 4),
                "unit": m.unit,
                "text": m.text,
            }
            for pattern, meant in zip(tracing.patterns, tracing.meanings, strict=True)
            for m in meant
        ],
        "grain": _grain(tracing),
        "advice": tracing.traced.budget.advice,
        "warnings": [str(c) for c in tracing.traced.caveats],
        "files": [str(f) for f in files],
    }


def summary(tracing: Tracing, results: dict[str, Any]) -> str:
    """The same for people at a terminal."""
    view = tracing.traced.view
    sheets = ", ".join(f"{s.sheet.name} ({len(s.ids)} grid points)" for s in view.sightings)
    photos = tracing.traced.photos
    several = [("Photos", f"{photos}, their edges combined")] if photos > 1 else []
    rows = [
        *several,
        ("Sheets", sheets),
        ("Agreement", f"{view.rms_px:.3f} px RMS between the grid points seen and expected"),
        ("Camera", f"{view.height:.0f} mm above the bench, tilted by {math.degrees(view.tilt):.1f}°"),
        ("Pixel", f"{tracing.traced.mm_per_px:.4f} mm on the bench"),
    ]
    rows += [("Part", line) for line in _parts(tracing)]
    rows += [("Uncertainty", line) for line in _main_cause(tracing.largest)]
    if grain := results["grain"]:
        rows.append(
            ("Grain", f"seems to run along {grain['grain_deg']:.0f}° (from the x axis); look before believing it")
        )
    rows += [("Seems meant", line) for meant in tracing.meanings for line in _meant(meant)]
    rows += [("Next", advice) for advice in [results["advice"]] if advice]
    rows += [("Warning", warning) for warning in results["warnings"]]
    rows += [("Written", file) for file in results["files"]]
    return "\n".join(f"{label:<13}{text}" for label, text in rows)


def budget_table(tracing: Tracing) -> str:
    """What each cause adds to the larger size of the largest part, as expanded uncertainties (k = 2)."""
    largest, causes = tracing.largest, tracing.traced.budget.contributions
    size = max(largest.size)
    rows = [f"{'± mm (k = 2)':>12}  what the larger size ({size:.2f} mm) owes to"]
    rows += [f"{size_uncertainty((c,), size):12.3f}  {c.name}" for c in causes]
    rows.append(f"{size_uncertainty(causes, size):12.3f}  all together: the root of their sum of squares (JCGM 100)")
    middle, most = (
        np.percentile(np.concatenate([b for p in tracing.traced.budget.bands for b in p]), q) for q in (50, 100)
    )
    rows.append(f"{middle:12.3f}  place of an edge point once the part is laid best on the true one; up to {most:.3f}")
    return "\n".join(rows)


def _meant(meanings: Sequence[Meaning]) -> list[str]:
    """What an outline seems to mean: sizes each in a sentence, of all else how many; --json lists them one by one."""
    sized = [m.text for m in meanings if m.kind in SIZED]
    counts = Counter(str(m.kind) for m in meanings if m.kind not in SIZED)
    lines = [", ".join(f"{kind} ({n})" for kind, n in counts.items())] if counts else []
    more = [f"and {len(sized) - MOST_MEANINGS} sizes more"] if len(sized) > MOST_MEANINGS else []
    return lines + sized[:MOST_MEANINGS] + more


def _bands(tracing: Tracing) -> dict[str, float]:
    """Median and largest half-width, mm, of the band in which the true edge lies (k = 2)."""
    every = np.concatenate([band for part in tracing.traced.budget.bands for band in part])
    return {"median": round(float(np.median(every)), 4), "largest": round(float(every.max()), 4)}


def caption(tracing: Tracing) -> list[str]:
    """Lines under the picture: each part's size, then the warnings."""
    band = f"Shaded: where the true edge lies (k = 2), drawn {BAND_TIMES} times as wide."
    return [*_parts(tracing), band] + [f"Note: {c}" for c in tracing.traced.caveats]


def _parts(tracing: Tracing) -> list[str]:
    lines = []
    for pattern, quality in zip(tracing.patterns, tracing.qualities, strict=True):
        width, height = pattern.size
        holes = len(pattern.outline.holes)
        lines.append(
            f"{pattern.name}: {width:.2f} x {height:.2f} mm ± {_uncertainty(pattern):.2f} mm (k = 2), "
            f"{pattern.thickness_mm:g} mm thick; {_count(quality.pieces, 'piece')}, {_count(quality.corners, 'corner')}"
            + (f", {_count(holes, 'hole')}" if holes else "")
        )
    return lines


def _main_cause(pattern: Pattern) -> list[str]:
    if pattern.measured is None:
        return []
    size = max(pattern.size)
    cause = max(pattern.measured.uncertainty, key=lambda c: size_uncertainty((c,), size))
    return [f"most of it from: {cause.name} ({size_uncertainty((cause,), size):.2f} mm)"]


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _size(pattern: Pattern) -> list[float]:
    return [round(side, 4) for side in pattern.size]


def _uncertainty(pattern: Pattern) -> float:
    return round(pattern.uncertainty or 0.0, 4)


def _grain(tracing: Tracing) -> dict[str, float] | None:
    """What the photo suggests; 1 is as clear as can be."""
    if tracing.figure is None:
        return None
    return {
        "grain_deg": round(math.degrees(tracing.figure.direction), 1),
        "coherence": round(tracing.figure.coherence, 3),
    }
