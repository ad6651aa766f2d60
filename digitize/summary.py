"""What a tracing tells: the values for machines, the summary for the terminal, the caption of the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from digitize.model.pattern import Pattern, size_uncertainty
from digitize.pipeline import Tracing


def values(tracing: Tracing, files: Sequence[Path]) -> dict[str, Any]:
    """The results as JSON holds them.

    ``size_mm`` is width and height of the largest part; ``uncertainty_mm`` is the expanded uncertainty (k = 2, about
    95 %) of the larger of the two.
    """
    view, largest = tracing.traced.view, tracing.largest
    return {
        "size_mm": _size(largest),
        "parts": [{"name": p.name, "size_mm": _size(p), "uncertainty_mm": _uncertainty(p)} for p in tracing.patterns],
        "sheets": [{"number": s.sheet.number, "grid_points": len(s.ids)} for s in view.sightings],
        "reprojection_rms_px": round(view.rms_px, 4),
        "camera_height_mm": round(view.height, 2),
        "tilt_deg": round(math.degrees(view.tilt), 3),
        "mm_per_px": round(tracing.traced.mm_per_px, 6),
        "uncertainty_mm": _uncertainty(largest),
        "warnings": [str(c) for c in tracing.traced.caveats],
        "files": [str(f) for f in files],
    }


def summary(tracing: Tracing, results: dict[str, Any]) -> str:
    """The same for people at a terminal."""
    view = tracing.traced.view
    sheets = ", ".join(f"{s.sheet.name} ({len(s.ids)} grid points)" for s in view.sightings)
    rows = [
        ("Sheets", sheets),
        ("Agreement", f"{view.rms_px:.3f} px RMS between the grid points seen and expected"),
        ("Camera", f"{view.height:.0f} mm above the bench, tilted by {math.degrees(view.tilt):.1f}°"),
        ("Pixel", f"{tracing.traced.mm_per_px:.4f} mm on the bench"),
    ]
    rows += [("Part", line) for line in _parts(tracing)]
    rows += [("Uncertainty", line) for line in _main_cause(tracing.largest)]
    rows += [("Warning", warning) for warning in results["warnings"]]
    rows += [("Written", file) for file in results["files"]]
    return "\n".join(f"{label:<13}{text}" for label, text in rows)


def caption(tracing: Tracing) -> list[str]:
    """Lines under the picture: each part's size, then the warnings."""
    return _parts(tracing) + [f"Note: {c}" for c in tracing.traced.caveats]


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
