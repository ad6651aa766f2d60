"""This floor in one function: a part on its master, deviations with their uncertainty, and a verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from digitize.compare.deviation import Deviations, OutOfZone, measured_at, out_of_zone, with_unseen
from digitize.compare.influence import components
from digitize.compare.nearest import Curves
from digitize.compare.placement import seen, turned_over
from digitize.compare.register import Registration, inside_zone, on_datums, register
from digitize.compare.size import Size, Squareness, check_size, compared_size, compared_squareness
from digitize.compare.stations import Edge, Master
from digitize.compare.verdict import Decision, Verdict, decide
from digitize.model.errors import Caveat, InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Contribution, Pattern
from digitize.model.segment import Point
from digitize.vision.budget import PRINT

SPACING_MM = 0.5
MOST_STATIONS = 200_000
LEAST_NOISE_MM = 0.02  # placements are equally good within this, however sure part and master are
POOR_FIT_MM = 0.2  # from here on it is worth looking whether the part lies upside down
UNLIKE = 0.01  # of the size: an RMS beyond it is no deviation but another shape
FAR_BETTER = 3.0  # times smaller


class Fit(StrEnum):
    """How a part is placed where no datum is given: least squares, or the largest deviation as small as can be."""

    SQUARES = "squares"
    ZONE = "zone"


@dataclass(frozen=True)
class How:
    """How to compare.

    zone : full width of the tolerance zone, mm; None asks for no verdict
    spacing : mm between stations
    datums : edges by number, or by points near them, mm on the master
    same_sheets : both were measured beside the very same prints and lay the same way to them, so that what those are
        off by makes both larger alike
    """

    zone: float | None = None
    spacing: float = SPACING_MM
    fit: Fit = Fit.SQUARES
    datums: tuple[int | Point, ...] = ()
    mirrored: bool = False
    same_sheets: bool = False

    def __post_init__(self) -> None:
        if self.zone is not None and not (self.zone > 0 and math.isfinite(self.zone)):
            raise InputError(f"The zone is {self.zone:g} mm and must be above 0", "give its full width, like 0.5mm")


@dataclass(frozen=True)
class Comparison:
    """A part compared with its master.

    placed : the part's outline as it lies on the master
    missing : points in the master's loops that the part has not
    extra : points in the part's loops that the master has not, as placed
    stretches : out of the zone
    """

    part: Pattern
    master: Pattern
    how: How
    prepared: Master
    registration: Registration
    placed: Outline
    deviations: Deviations
    size: Size
    squareness: Squareness | None
    missing: tuple[Point, ...]
    extra: tuple[Point, ...]
    stretches: tuple[OutOfZone, ...]
    decision: Decision | None
    datums: tuple[Edge, ...]
    caveats: tuple[Caveat, ...]


def compare(part: Pattern, master: Pattern, how: How) -> Comparison:
    """Place a part on its master and judge it.

    Raises
    ------
    InputError if they differ too much in size, a datum is not there, the zone is too small for any verdict, or the
    sheets are told to be the same and are not
    """
    check_size(part.outline, master.outline, (part.name, master.name))
    prepared = Master.of(master.outline)
    datums = tuple(prepared.edge(d) if isinstance(d, int) else prepared.edge_near(d) for d in how.datums)
    outline = turned_over(part.outline) if how.mirrored else part.outline
    curves = tuple(Curves.of(loop) for loop in outline.loops)
    if how.same_sheets:
        _check_same_sheets(part, master)
    shared = {PRINT} if how.same_sheets else set()
    causes = _causes(part, "part", shared) + _causes(master, "master", shared)
    noise = _noise(causes, prepared)
    best = register(prepared, curves, outline, noise)
    found = _as_asked(best, curves, how, datums)
    deviations = _deviations(found, curves, prepared, causes, how, part)
    if not deviations.judged.any():
        raise InputError(
            f"Nothing of “{part.name}” was measured", "photograph it, or compare the part it was made from"
        )
    placed = outline.moved(found.placement.turn, found.placement.shift)
    missing = tuple(_inside(master.outline, i) for i, pair in enumerate(found.pairs) if pair is None)
    return Comparison(
        part=part,
        master=master,
        how=how,
        prepared=prepared,
        registration=found,
        placed=placed,
        deviations=deviations,
        size=compared_size(placed, master.outline, causes),
        squareness=compared_squareness(deviations, prepared, causes),
        missing=missing,
        extra=tuple(_inside(placed, i) for i in found.extra),
        stretches=out_of_zone(deviations, prepared, how.zone) if how.zone else (),
        decision=_decided(deviations, how.zone, len(missing), len(found.extra)) if how.zone else None,
        datums=datums,
        caveats=(
            *_unlike(best, prepared),
            *_upside_down(prepared, outline, best, how, noise),
            *_ambiguous(found),
            *_unmeasured(deviations),
            *_theirs(part),
            *_theirs(master),
        ),
    )


def _theirs(pattern: Pattern) -> tuple[Caveat, ...]:
    return tuple(replace(c, problem=f"{pattern.name}: {c.problem}") for c in pattern.caveats)


def _causes(pattern: Pattern, whose: str, shared: Set[str]) -> tuple[Contribution, ...]:
    """What a pattern's edges may be off by, but for causes shared with the other one, which move both alike."""
    measured = pattern.measured.uncertainty if pattern.measured else ()
    return tuple(replace(c, name=f"{c.name} ({whose})") for c in measured if c.name not in shared)


def _check_same_sheets(part: Pattern, master: Pattern) -> None:
    """Raises InputError where a pattern was drawn, or the two were measured beside other sheets or check lines."""
    told = []
    for pattern in (part, master):
        if pattern.measured is None:
            raise InputError(f"“{pattern.name}” was drawn, not measured beside sheets", "leave --same-sheets out")
        told.append((sorted(str(s.number) for s in pattern.measured.sheets), pattern.measured.print_scale))
    if told[0] != told[1]:
        raise InputError(
            f"“{part.name}” and “{master.name}” were measured beside different sheets, or by other check lines, "
            "so what their prints are off by does not cancel",
            "leave --same-sheets out, or trace both anew beside the same sheets with the same --check-lines",
        )


def _noise(causes: Sequence[Contribution], master: Master) -> float:
    """What a deviation half the part away from its middle may err by, mm, one standard deviation."""
    x0, y0, x1, y1 = master.outline.bounds()
    reach = math.hypot(x1 - x0, y1 - y0) / 4
    return max(LEAST_NOISE_MM, math.hypot(*(math.hypot(c.size_ppm * 1e-6 * reach, c.edge_mm) for c in causes)))


def _as_asked(best: Registration, curves: Sequence[Curves], how: How, datums: Sequence[Edge]) -> Registration:
    if datums:
        datum = np.isin(best.stations.edge, [d.number for d in datums])
        if not datum.any():
            raise InputError(
                f"The part has no loop that matches edge {datums[0].number}", "choose datum edges that the part has"
            )
        return on_datums(best, curves, datum)
    return inside_zone(best, curves) if how.fit == Fit.ZONE else best


def _deviations(
    found: Registration,
    curves: Sequence[Curves],
    master: Master,
    causes: Sequence[Contribution],
    how: How,
    part: Pattern,
) -> Deviations:
    total = sum(c.length for c in master.curves)
    if total / how.spacing > MOST_STATIONS:
        raise InputError(
            f"A spacing of {how.spacing:g} mm makes {total / how.spacing:.0f} deviations (limit {MOST_STATIONS})",
            "ask for a wider spacing",
        )
    stations = master.stations(how.spacing)
    pairs = [None if p is None else curves[p] for p in found.pairs]
    view = seen(stations, pairs, found.placement)
    fitted = seen(found.stations, pairs, found.placement)
    value, way = with_unseen(view, stations, master, curves, found, how.spacing)
    return Deviations(
        stations,
        value,
        way,
        components(found, fitted, master, stations, view, causes),
        measured_at(view, stations, found.pairs, () if how.mirrored else part.invented),
    )


def _decided(found: Deviations, zone: float, missing: int, extra: int) -> Decision:
    judged = np.flatnonzero(found.judged)
    shares = [replace(s, uncertainty=np.asarray(s.uncertainty)[judged]) for s in found.shares]
    decision = decide(found.value[judged], found.expanded[judged], zone, shares)
    if missing or extra:
        counts = ((missing, "missing"), (extra, "too many"))
        why = " and ".join(f"{n} {'hole' if n == 1 else 'holes'} {word}" for n, word in counts if n)
        return replace(decision, verdict=Verdict.DOES_NOT_CONFORM, place=None, why=why, decides_it="")
    place = None if decision.place is None else int(judged[decision.place])
    unmeasured = float(found.stations.weight[~found.measured].sum())
    if decision.verdict == Verdict.CONFORMS and unmeasured > 0:
        why = f"conforms, but {unmeasured:.1f} mm of the part's outline were never measured"
        return replace(
            decision, verdict=Verdict.NOT_DECIDED, place=place, why=why, decides_it="a photo that shows those stretches"
        )
    return replace(decision, place=place)


def _inside(outline: Outline, loop: int) -> Point:
    x, y = outline.loops[loop].flattened(0.05).mean(axis=0)
    return float(x), float(y)


def _upside_down(master: Master, outline: Outline, best: Registration, how: How, noise: float) -> tuple[Caveat, ...]:
    """Tells where the part would fit far better turned over."""
    if best.rms_mm <= POOR_FIT_MM:
        return ()
    other = turned_over(outline)
    over = register(master, [Curves.of(loop) for loop in other.loops], other, noise)
    if over.rms_mm * FAR_BETTER > best.rms_mm:
        return ()
    problem = f"Turned over, the part would fit to {over.rms_mm:.2f} mm RMS instead of {best.rms_mm:.2f} mm"
    return (Caveat(problem, "leave --mirrored out" if how.mirrored else "compare it with --mirrored"),)


def _unlike(best: Registration, master: Master) -> tuple[Caveat, ...]:
    """Tells where the part has another shape than the master."""
    x0, y0, x1, y1 = master.outline.bounds()
    limit = UNLIKE * math.hypot(x1 - x0, y1 - y0)
    if best.rms_mm <= limit:
        return ()
    problem = f"The part fits its master only to {best.rms_mm:.1f} mm RMS (limit {limit:.1f} mm)"
    return (Caveat(problem, "see whether it is the right master"),)


def _ambiguous(found: Registration) -> tuple[Caveat, ...]:
    if found.free_turn:
        return (Caveat("The outline is round and fits in any turn", "mark how the part lay, if that matters"),)
    if not found.other_turns:
        return ()
    turns = " or ".join(f"{math.degrees(t) % 360:.0f}°" for t in found.other_turns)
    problem = f"The outline repeats itself: turned by {turns} the part fits as well, and its deviations change place"
    return (Caveat(problem, "mark how the part lay, if that matters"),)


def _unmeasured(found: Deviations) -> tuple[Caveat, ...]:
    length = float(found.stations.weight[~found.measured].sum())
    if length == 0:
        return ()
    problem = f"{length:.1f} mm of the part's outline were never measured and are not judged"
    return (Caveat(problem, "photograph the part again where they are"),)
