"""``digitize plan``: corners, grain, feed, saw line and depth of a part, before wood is cut."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Annotated, Any

import typer

from digitize.commands.options import AsJson, Force, Unit, beside
from digitize.files import check_targets, read_part, read_rack, write_files
from digitize.formats.paper import Paper, parse_paper
from digitize.formats.plan_page import plan_pdf, plan_png
from digitize.model.errors import InputError
from digitize.model.pattern import THICKEST_MM, Pattern
from digitize.model.units import parse_angle, parse_length
from digitize.shop.depth import Machine, Side
from digitize.shop.plan import Plan, plan
from digitize.shop.told import rows, values

STEEPEST_RUNOUT = 1.0
DEEPEST_MM = 300.0
WIDEST_BLADE_MM = 50.0


def plan_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.", show_default=False)],
    grain: Annotated[
        str | None,
        typer.Option(
            help="Direction of the fibres, counter-clockwise from the x axis: 30deg (default: the pattern's)."
        ),
    ] = None,
    stock: Annotated[
        str | None, typer.Option(help="Thickness of the wood to cut: 19mm, 3/4in; without it no depth is set.")
    ] = None,
    pattern_thickness: Annotated[
        str | None, typer.Option(help="Thickness of the pattern that the bearing runs on (default: as it says).")
    ] = None,
    rack: Annotated[
        Path | None, typer.Option(help="The cutters, a TOML file (default: rack.toml, here, or common sizes).")
    ] = None,
    table: Annotated[bool, typer.Option("--table", help="On a router table (unless --hand is given).")] = False,
    hand: Annotated[bool, typer.Option("--hand", help="With a hand-held router.")] = False,
    pattern_on: Annotated[
        str | None, typer.Option(help="Where the pattern lies: top or below (default: for a bearing at the shank).")
    ] = None,
    flipped: Annotated[bool, typer.Option("--flipped", help="The work lies with its drawn face down.")] = False,
    allowance: Annotated[str, typer.Option(help="From the edge out to the saw line.")] = "2mm",
    blade: Annotated[str | None, typer.Option(help="Width of the band-saw blade at hand.")] = None,
    plunge: Annotated[str | None, typer.Option(help="How far the router lets a cutter stand out.")] = None,
    runout: Annotated[
        str | None, typer.Option(help="Slope of the fibres through the thickness, seen on an edge: 1:12.")
    ] = None,
    unit: Unit = None,
    pdf: Annotated[
        str | None, typer.Option(metavar="[FILE]", help="Also one page (.pdf) to pin over the bench.")
    ] = None,
    picture: Annotated[str | None, typer.Option(metavar="[FILE]", help="Also that page as a picture (.png).")] = None,
    paper: Annotated[str, typer.Option(help="Paper of the page: A4, A3, Letter or Tabloid.")] = "A4",
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Plan how to rout a part: corners, grain, feed, saw line, depth."""
    if table and hand:
        raise InputError("Both --table and --hand were given", "plan for one of them")
    options: dict[str, Any] = {
        "machine": _machine(hand),
        "pattern_on": _side(pattern_on),
        "flipped": flipped,
        "allowance_mm": parse_length(allowance, "allowance"),
        "blade_mm": parse_length(blade, "width of the blade", 0.1, WIDEST_BLADE_MM) if blade else None,
        "plunge_mm": parse_length(plunge, "reach of the router", 1.0, DEEPEST_MM) if plunge else None,
        "runout": parse_runout(runout) if runout else 0.0,
    }
    sheet = one_page(paper)
    thick = _thickness(pattern_thickness, "pattern's thickness")
    wood, fibres = _thickness(stock, "stock's thickness"), None if grain is None else parse_angle(grain)
    targets = [beside(pattern, text, "plan", ending) for text, ending in ((pdf, ".pdf"), (picture, ".png"))]
    check_targets([t for t in targets if t], force, [pattern, *([rack] if rack else [])])
    part = read_part(pattern, unit)
    found = plan(
        part.outline,
        grain_deg=part.grain_deg if fibres is None else fibres,
        cutters=read_rack(rack).cutters,
        stock_mm=wood,
        pattern_mm=part.thickness_mm if thick is None else thick,
        uncertainty_mm=part.edge_uncertainty,
        **options,
    )
    contents = {t: make(found, part.name, sheet) for t, make in zip(targets, (plan_pdf, plan_png), strict=True) if t}
    write_files(contents, force)
    print(json.dumps(_values(found, part, list(contents))) if as_json else _summary(found, part, list(contents)))


def one_page(text: str) -> Paper:
    """The paper of a plan, as typed; raises InputError."""
    paper = parse_paper(text)
    if paper.roll:
        raise InputError(f"“{text}” is a roll, and the plan is one page", "name A4, A3, Letter or Tabloid")
    return paper


def parse_runout(text: str) -> float:
    """A slope of grain, rise over run, from ``1:12`` or ``0.083``; raises InputError."""
    match = re.fullmatch(r"\s*([0-9.]+)\s*(?::\s*([0-9.]+)\s*)?", text)
    try:
        slope = float(match[1]) / float(match[2] or 1.0) if match else math.nan
    except (ValueError, ZeroDivisionError):
        slope = math.nan
    if not 0 <= slope <= STEEPEST_RUNOUT:
        raise InputError(f"“{text}” is not a slope of grain up to 1:1", "write rise over run, like 1:12")
    return slope


def _machine(hand: bool) -> Machine:
    return "hand" if hand else "table"


def _side(text: str | None) -> Side | None:
    sides: dict[str, Side] = {"top": "top", "below": "below"}
    if text is not None and text.lower() not in sides:
        raise InputError(f"“{text}” is no place for the pattern", "say top or below, as the work lies at the machine")
    return None if text is None else sides[text.lower()]


def _thickness(text: str | None, what: str) -> float | None:
    return None if text is None else parse_length(text, what, 0.1, THICKEST_MM)


def _values(found: Plan, part: Pattern, files: list[Path]) -> dict[str, Any]:
    return {"name": part.name, **values(found), "files": [str(f) for f in files]}


def _summary(found: Plan, part: Pattern, files: list[Path]) -> str:
    width, height = part.size
    lines = [("Part", f"{part.name}: {width:.2f} x {height:.2f} mm"), *rows(found)]
    lines += [("Written", str(f)) for f in files]
    return "\n".join(f"{label:<13}{text}" for label, text in lines)
