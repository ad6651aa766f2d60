"""How deep to set the cutter: does the bearing ride, how many passes, and what cannot be done.

Heights are measured along the spindle from the face that the router's base (or the table) touches. The pattern lies on
that face's side, "near", where the bearing sits at the shank, and on the other, "far", where it sits at the tip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from digitize.model.errors import InputError
from digitize.shop.cutter import Cutter

Machine = Literal["hand", "table"]
Side = Literal["top", "below"]

NEAR: dict[Machine, Side] = {"hand": "top", "table": "below"}  # where the pattern lies on the base's or table's side
FAR: dict[Machine, Side] = {"hand": "below", "table": "top"}
OVERHANG_MM = 3.0  # waste outside the line: a saw line at 1.5 to 3 mm is common practice
GRIP = "Mind how deep the shank must sit in the collet, and what the router's manual says."


@dataclass(frozen=True)
class Pass:
    """One time round.

    depth_mm : how much more of the stock it cuts
    reach_mm : how far the cutting edges stand out of the base or table: below it by hand, above it on the table
    rides_on : what the bearing runs on: the pattern, or the edge already cut
    """

    depth_mm: float
    reach_mm: float
    rides_on: Literal["pattern", "cut edge"]


@dataclass(frozen=True)
class DepthPlan:
    """The set-up for one cutter.

    passes : empty where it cannot be done; problems then says why
    pattern_off_after : after so many passes the pattern may come off; None where it stays on
    """

    cutter: Cutter
    machine: Machine
    pattern_side: Side
    pattern_mm: float | None
    stock_mm: float
    passes: tuple[Pass, ...]
    pattern_off_after: int | None
    problems: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def possible(self) -> bool:
        return bool(self.passes)


def depth_plan(
    cutter: Cutter,
    pattern_mm: float | None,
    stock_mm: float,
    machine: Machine = "table",
    pattern_side: Side | None = None,
    plunge_mm: float | None = None,
) -> DepthPlan:
    """Passes for a stock of this thickness under (or on) a pattern of that.

    pattern_mm : thickness of the pattern; None where unknown
    pattern_side : None means the side that the cutter's bearing asks for
    plunge_mm : how far the edges can be made to stand out of the base or table; None where unknown

    Raises
    ------
    InputError if a thickness is not above zero
    """
    for what, size in (("pattern", pattern_mm), ("stock", stock_mm), ("reach of the router", plunge_mm)):
        if size is not None and not 0 < size < math.inf:
            raise InputError(f"The {what} is {size:g} mm and must be above zero", "measure it with calipers")
    side = pattern_side or (FAR if cutter.bearing == "tip" else NEAR)[machine]
    near = side == NEAR[machine]
    problems = _problems(cutter, pattern_mm, stock_mm, machine, near)
    passes, off_after = ((), None) if problems or pattern_mm is None else _passes(cutter, pattern_mm, stock_mm, near)
    if plunge_mm is not None and passes:
        reach = max(p.reach_mm for p in passes)
        if reach > plunge_mm + 1e-9:
            problems = (*problems, f"The edges must stand out {reach:.1f} mm and the router allows {plunge_mm:.1f} mm.")
            passes, off_after = (), None
    notes = _notes(cutter, pattern_mm, stock_mm, near, len(passes), off_after, plunge_mm)
    return DepthPlan(cutter, machine, side, pattern_mm, stock_mm, passes, off_after, problems, notes)


def _problems(cutter: Cutter, pattern: float | None, stock: float, machine: Machine, near: bool) -> tuple[str, ...]:
    """Why it cannot be done, a sentence each."""
    said = []
    if cutter.bearing == "none":
        return ("The cutter has no bearing: lead it with a guide bush, or take one with a bearing.",)
    wanted = "shank" if near else "tip"
    if cutter.bearing not in (wanted, "both"):
        other = (FAR if near else NEAR)[machine]
        said.append(
            f"The bearing sits at the {cutter.bearing} and the pattern's side needs it at the {wanted}: "
            f"put the pattern {'on top' if other == 'top' else 'below'}."
        )
    if pattern is None:
        said.append("The pattern's thickness is not known: measure it and give it.")
    elif pattern < cutter.bearing_height_mm:
        said.append(
            f"The pattern is {pattern:g} mm thick and the bearing {cutter.bearing_height_mm:g} mm high: "
            "it does not ride fully on it; take a thicker pattern."
        )
    if cutter.bearing == "both" and stock > cutter.cutting_length_mm:
        said.append(
            f"The stock is {stock:g} mm thick and the edges {cutter.cutting_length_mm:g} mm long: the second "
            "bearing would run against the waste that is still uncut; take it off, or take a longer cutter."
        )
    room = (cutter.diameter_mm - cutter.shank_mm) / 2
    if cutter.bearing == "tip" and stock > cutter.cutting_length_mm and room <= 0:
        said.append(
            f"The shank is {cutter.shank_mm:g} mm thick, no less than the cutter, and would rub on waste above "
            f"its edges: the stock may be no thicker than {cutter.cutting_length_mm:g} mm."
        )
    if stock > cutter.cutting_length_mm and cutter.bearing_height_mm > cutter.cutting_length_mm:
        said.append("The bearing is higher than the edges are long and cannot ride on what one pass has cut.")
    return tuple(said)


def _passes(cutter: Cutter, pattern: float, stock: float, near: bool) -> tuple[tuple[Pass, ...], int | None]:
    """Passes of equal depth, and after how many the pattern may come off: once the cut edge is as high as the bearing.

    On the near side every pass goes deeper; on the far side the first one, beside the pattern, is the deepest.
    """
    count = math.ceil(stock / cutter.cutting_length_mm - 1e-9)
    depth = stock / count
    off_after = next((k for k in range(1, count) if k * depth >= cutter.bearing_height_mm - 1e-9), None)
    passes = []
    for k in range(count):
        on = off_after is None or k < off_after
        reach = (pattern if on else 0.0) + (k + 1) * depth if near else stock - k * depth
        passes.append(Pass(depth, reach, "pattern" if on else "cut edge"))
    return tuple(passes), off_after


def _notes(
    cutter: Cutter,
    pattern: float | None,
    stock: float,
    near: bool,
    count: int,
    off_after: int | None,
    plunge: float | None,
) -> tuple[str, ...]:
    said = []
    if count == 1:
        said.append(f"One pass cuts the whole {stock:g} mm.")
    elif count and off_after:
        said.append(f"After pass {off_after} the bearing can ride on the cut edge, and the pattern may come off.")
    elif count:
        said.append("The pattern stays on: the cut edge is never as high as the bearing before the last pass.")
    if stock < cutter.bearing_height_mm and count:
        said.append(
            f"The stock is {stock:g} mm thick, thinner than the bearing ({cutter.bearing_height_mm:g} mm): "
            "its own edge cannot guide a bearing, so the pattern stays on."
        )
    room = (cutter.diameter_mm - cutter.shank_mm) / 2
    if count > 1 and not near and room < OVERHANG_MM:
        said.append(f"Saw to within {room:.1f} mm of the line first, or the shank rubs on the waste beside it.")
    if cutter.offset_mm:
        where = "outside" if cutter.offset_mm > 0 else "inside"
        said.append(
            f"The bearing is {cutter.bearing_diameter_mm:g} mm, the cutter {cutter.diameter_mm:g} mm: the cut lies "
            f"{abs(cutter.offset_mm):g} mm {where} the pattern's edge."
        )
    if plunge is None and count:
        said.append("Check that the router lets the edges stand out so far.")
    return (*said, GRIP)
