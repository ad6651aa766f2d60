"""What a comparison tells: values for machines, rows of words for people, and the deviations as a table."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from digitize.compare.compare import Comparison, Fit
from digitize.compare.deviation import OutOfZone
from digitize.compare.verdict import largest
from digitize.model.pattern import Pattern
from digitize.model.segment import Point, as_point

TOLD = 12  # stretches in words; the values hold them all
NO_ZONE = "no zone given"


def values(found: Comparison) -> dict[str, Any]:
    """The results as JSON holds them; lengths in mm, places on the master, uncertainties expanded (k = 2)."""
    d, size, square = found.deviations, found.size, found.squareness
    decision = found.decision
    return {
        "part": found.part.name,
        "master": found.master.name,
        "verdict": decision.verdict.value if decision else None,
        "why": reason(found),
        "decides_it": (decision.decides_it or None) if decision else None,
        "zone_mm": found.how.zone,
        "guard_band_mm": _mm(decision.guard_band) if decision else None,
        "uncertainty_mm": _mm(uncertainty(found)),
        "same_sheets": found.how.same_sheets,
        "causes": [{"name": name, "uncertainty_mm": _mm(u)} for name, u in causes(found)],
        "rms_mm": _mm(d.rms),
        "mean_mm": _mm(d.mean),
        "p95_mm": _mm(d.p95),
        "extremes_mm": [_mm(e) for e in d.extremes],
        "stretches": [_stretch_values(s) for s in found.stretches],
        "loops_missing": [_place(p) for p in found.missing],
        "loops_extra": [_place(p) for p in found.extra],
        "size_mm": {
            "master": [_mm(v) for v in size.master],
            "part": [_mm(v) for v in size.part],
            "uncertainty": [_mm(v) for v in size.uncertainty],
        },
        "squareness_deg": None
        if square is None
        else {
            "edges": list(square.edges),
            "master": round(math.degrees(square.master), 4),
            "part": round(math.degrees(square.part), 4),
            "uncertainty": round(math.degrees(square.uncertainty), 4),
        },
        "placement": {
            "by": placed_by(found),
            "mirrored": found.how.mirrored,
            "turn_deg": round(math.degrees(found.registration.placement.turn), 5),
            "shift_mm": _place(found.registration.placement.shift),
            "other_turns_deg": [round(math.degrees(t), 2) for t in found.registration.other_turns],
            "free_turn": found.registration.free_turn,
        },
        "spacing_mm": found.how.spacing,
        "warnings": [str(c) for c in found.caveats],
    }


def uncertainty(found: Comparison) -> float:
    """Expanded uncertainty (k = 2) of the deviation that decides, mm; without a zone, of the largest one."""
    return float(found.deviations.expanded[_deciding(found)])


def causes(found: Comparison, most: int = 3) -> list[tuple[str, float]]:
    """The largest causes of that uncertainty, each with its own expanded uncertainty, mm."""
    return largest(found.deviations.shares, _deciding(found), most)


def _deciding(found: Comparison) -> int:
    if found.decision and found.decision.place is not None:
        return found.decision.place
    judged = np.flatnonzero(found.deviations.judged)
    return int(judged[np.argmax(np.abs(found.deviations.value[judged]))])


def rows(found: Comparison) -> list[tuple[str, str]]:
    """Label and text, line by line, for people."""
    d = found.deviations
    low, high = d.extremes
    told = [("Verdict", verdict(found))]
    if found.decision and found.decision.decides_it:
        told.append(("To decide", found.decision.decides_it))
    told += [
        (
            "Deviation",
            f"{_signed(low)} to {_signed(high)}; RMS {d.rms:.3f}, mean {_signed(d.mean)}, 95 % within {d.p95:.3f} mm",
        ),
        ("Uncertainty", _uncertainty_words(found)),
    ]
    told += [(f"Stretch {i}", stretch_words(s)) for i, s in enumerate(found.stretches[:TOLD], start=1)]
    if len(found.stretches) > TOLD:
        told.append(("", f"and {len(found.stretches) - TOLD} more out of the zone"))
    told += [("Missing", f"the master's hole at {_at(p)}") for p in found.missing]
    told += [("Too many", f"a hole of the part at {_at(p)}") for p in found.extra]
    told.append(("Size", _size_words(found)))
    if found.squareness:
        told.append(("Squareness", _squareness_words(found)))
    told.append(("Placed", placed_by(found)))
    return told + [("Note", str(c)) for c in found.caveats]


def verdict(found: Comparison) -> str:
    """The verdict as a sentence without a full stop."""
    if found.decision is None:
        return f"none, {NO_ZONE}"
    return f"{found.decision.verdict.value} (zone {found.decision.zone:g} mm): {reason(found)}"


def reason(found: Comparison) -> str:
    """Why the verdict is as it is."""
    if found.decision is None:
        return NO_ZONE
    place = found.decision.place
    if place is None:
        return found.decision.why
    d = found.deviations
    return f"{_signed(d.value[place])} at {_at(as_point(d.stations.points[place]))} {found.decision.why}"


def stretch_words(stretch: OutOfZone) -> str:
    near = f", nearest corner {stretch.corner}" if stretch.corner else ""
    return (
        f"{stretch.extreme:+.2f} ± {stretch.uncertainty:.2f} mm, {stretch.side}, over {stretch.length:.1f} mm "
        f"round {_at(stretch.at)}{near}"
    )


def placed_by(found: Comparison) -> str:
    if found.datums:
        return "on edge " + ", ".join(str(e.number) for e in found.datums)
    over = ", turned over" if found.how.mirrored else ""
    if found.how.fit == Fit.ZONE:
        return f"so that the largest deviation is least{over}"
    return f"by least squares, outlying stretches left out{over}"


def measured(pattern: Pattern) -> str:
    """How a pattern was measured, in a line."""
    m = pattern.measured
    if m is None:
        return f"{pattern.name}: drawn, taken as exact"
    sheets = ", ".join("plain board" if s.number is None else f"sheet {s.number}" for s in m.sheets)
    lens = "lens calibrated" if m.lens else "lens not calibrated"
    return (
        f"{pattern.name}: photo {m.photo}, {m.camera_height_mm:.0f} mm above {sheets}, tilted {m.tilt_deg:.0f}°, "
        f"{m.mm_per_px:.3f} mm per pixel, {lens}"
    )


def deviations_csv(found: Comparison) -> str:
    """One line for each station: loop, edge, mm along the loop, place on the master, deviation and U (k = 2)."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(["loop", "edge", "along_mm", "x_mm", "y_mm", "deviation_mm", "uncertainty_mm", "measured"])
    d, s = found.deviations, found.deviations.stations
    for i, (value, u, told) in enumerate(zip(d.value, d.expanded, d.judged, strict=True)):
        numbers = (s.along[i], *s.points[i])
        deviation = f"{value:.4f}" if np.isfinite(value) else ""
        table.writerow(
            [s.loop[i], s.edge[i], *(f"{n:.4f}" for n in numbers), deviation, f"{u:.4f}", "yes" if told else "no"]
        )
    return stream.getvalue()


def series_table(series: Sequence[Comparison]) -> list[list[str]]:
    """A head and a line for each part: name, verdict, least, greatest, RMS, U, stretches out of the zone."""
    head = ["Part", "Verdict", "Least mm", "Greatest mm", "RMS mm", "U mm (k = 2)", "Out of zone"]
    lines = []
    for found in series:
        low, high = found.deviations.extremes
        said = found.decision.verdict.value if found.decision else "-"
        numbers = [f"{_mm(low):+.3f}", f"{_mm(high):+.3f}", f"{found.deviations.rms:.3f}", f"{uncertainty(found):.3f}"]
        lines.append([found.part.name, said, *numbers, str(len(found.stretches))])
    return [head, *lines]


def _stretch_values(stretch: OutOfZone) -> dict[str, Any]:
    return {
        "at_mm": _place(stretch.at),
        "length_mm": round(stretch.length, 3),
        "extreme_mm": _mm(stretch.extreme),
        "extreme_at_mm": _place(stretch.extreme_at),
        "uncertainty_mm": _mm(stretch.uncertainty),
        "side": stretch.side,
        "loop": stretch.loop,
        "edge": stretch.edge,
        "nearest_corner": stretch.corner,
    }


def _uncertainty_words(found: Comparison) -> str:
    listed = [f"{name} {u:.3f}" for name, u in causes(found) if u > 0]
    if not listed:
        return "none: both are drawings, taken as exact"
    same = "; print scale cancels, both beside the very same sheets" if found.how.same_sheets else ""
    return f"±{uncertainty(found):.3f} mm (k = 2) where it decides; most from " + ", ".join(listed) + same


def _size_words(found: Comparison) -> str:
    size = found.size
    sides = [
        f"{part:.2f} mm ({part - master:+.2f} ± {u:.2f})"
        for master, part, u in zip(size.master, size.part, size.uncertainty, strict=True)
    ]
    return f"{sides[0]} x {sides[1]}, master {size.master[0]:.2f} x {size.master[1]:.2f} mm"


def _squareness_words(found: Comparison) -> str:
    square = found.squareness
    if square is None:
        return ""
    part, master, u = (math.degrees(a) for a in (square.part, square.master, square.uncertainty))
    return f"edges {square.edges[0]} and {square.edges[1]} at {part:.2f} ± {u:.2f}°, master {master:.2f}°"


def _signed(mm: float) -> str:
    return f"{_mm(mm):+.3f} mm"


def _at(point: Point) -> str:
    return f"({point[0]:.1f}, {point[1]:.1f})"


def _place(point: Point) -> list[float]:
    return [_mm(v) for v in point]


def _mm(value: float) -> float:
    return round(float(value), 4) + 0.0  # never -0.0
