"""``digitize rack``: the shop's pattern cutters, in a TOML file that may also be edited by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.table import Table

from digitize.commands.options import AsJson
from digitize.files import RACK_FILE, read_rack, text_of, write_files
from digitize.model.errors import InputError
from digitize.model.units import parse_length
from digitize.shop.cutter import Cutter, Rack, rack_fault, rack_toml

LARGEST_MM = 150.0
WIDTH = 100  # columns, where nobody's terminal tells

rack_app = typer.Typer(rich_markup_mode=None)

RackFile = Annotated[
    Path | None, typer.Option("--rack", help="The rack's TOML file (default: rack.toml, here).", show_default=False)
]
Name = Annotated[str, typer.Argument(help="What the cutter is called.", show_default=False)]


@rack_app.callback(invoke_without_command=True)
def rack_command(context: typer.Context) -> None:
    """List, add, remove or check the shop's pattern cutters; without a word, list them."""
    if context.invoked_subcommand is None:
        list_cutters()


@rack_app.command(name="list")
def list_cutters(rack: RackFile = None, as_json: AsJson = False) -> None:
    """List the cutters, with the top speed that is common practice for their size."""
    held = read_rack(rack)
    if as_json:
        print(json.dumps(held.model_dump(mode="json")))
        return
    own = rack or (RACK_FILE if RACK_FILE.is_file() else None)
    print(f"Rack: {own or 'the default one of common sizes; “digitize rack add” begins your own'}")
    Console(width=WIDTH if not Console().is_terminal else None).print(_table(held))
    print("Sizes in mm. Speeds are common practice; the cutter's own marking rules.")


@rack_app.command(name="add")
def add_cutter(
    name: Name,
    diameter: Annotated[str, typer.Option(help="Cutting diameter: 12, 12mm, 1/2in.", show_default=False)],
    cutting_length: Annotated[str, typer.Option(help="Length of the cutting edges.", show_default=False)],
    shank: Annotated[str, typer.Option(help="Diameter of the shank.", show_default=False)],
    bearing: Annotated[str, typer.Option(help="Where the bearing sits: shank, tip, both or none.", show_default=False)],
    bearing_diameter: Annotated[str | None, typer.Option(help="If it is not the cutter's.")] = None,
    bearing_height: Annotated[str | None, typer.Option(help="Along the axis (default: 5 mm).")] = None,
    notes: Annotated[str, typer.Option(help="Anything to remember.")] = "",
    rack: RackFile = None,
) -> None:
    """Add a cutter to the rack's file; begins the file where there is none."""
    target = rack or RACK_FILE
    held = read_rack(target) if target.exists() else Rack()
    sizes = {"diameter": diameter, "cutting_length": cutting_length, "shank": shank}
    sizes |= {"bearing": bearing_diameter} if bearing_diameter else {}
    sizes |= {"bearing_height": bearing_height} if bearing_height else {}
    values: dict[str, object] = {
        f"{key}_mm": parse_length(text, key.replace("_", " "), at_most=LARGEST_MM) for key, text in sizes.items()
    }
    values |= {"name": _text(name), "bearing": bearing.strip().lower(), "notes": _text(notes)}
    try:
        cutter = Cutter.model_validate(values)
        changed = Rack(cutters=(*held.cutters, cutter))
    except ValidationError as error:
        raise InputError(
            f"The cutter cannot be added: {rack_fault(values, error)}", "measure it again, or give it another name"
        ) from error
    write_files({target: rack_toml(changed).encode()}, force=True)
    count = len(changed.cutters)
    print(f"Added “{cutter.name}” to {target}, which holds {count} {'cutter' if count == 1 else 'cutters'} now.")
    for remark in remarks(cutter):
        print(remark)


@rack_app.command(name="remove")
def remove_cutter(name: Name, rack: RackFile = None) -> None:
    """Take a cutter out of the rack's file."""
    target = rack or RACK_FILE
    held = read_rack(target)
    rest = tuple(c for c in held.cutters if c.name.casefold() != name.strip().casefold())
    if len(rest) == len(held.cutters):
        names = ", ".join(c.name for c in held.cutters) or "no cutters"
        raise InputError(f"The rack “{target}” holds no cutter called “{name}”", f"it holds {names}")
    write_files({target: rack_toml(Rack(cutters=rest)).encode()}, force=True)
    print(f"Removed “{name.strip()}” from {target}, which holds {len(rest)} now.")


@rack_app.command(name="check")
def check_rack(rack: RackFile = None) -> None:
    """Say what is odd about the cutters."""
    held = read_rack(rack)
    if not held.cutters:
        raise InputError("The rack is empty", "add a cutter with “digitize rack add”")
    found = [f"{c.name}: {remark}" for c in held.cutters for remark in remarks(c)]
    print("\n".join(found) if found else f"{len(held.cutters)} cutters, nothing odd.")


def remarks(cutter: Cutter) -> list[str]:
    """What to know before the cutter is used, a sentence each."""
    said = []
    if cutter.bearing == "none":
        said.append("It has no bearing and follows a pattern only in a guide bush.")
    elif cutter.offset_mm:
        where = "outside" if cutter.offset_mm > 0 else "inside"
        said.append(
            f"Its bearing is not its size: the cut lies {abs(cutter.offset_mm):g} mm {where} the pattern's edge."
        )
    if cutter.top_speed_rpm is None:
        said.append("It is larger than the table of common speeds: keep to the speed marked on it.")
    if cutter.diameter_mm < cutter.shank_mm:
        said.append("Its shank is thicker than its cutting edges, so it cuts no deeper than they are long.")
    return said


def _table(held: Rack) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in ("name", "diameter", "cutting length", "shank", "bearing", "top speed", "notes"):
        table.add_column(heading, justify="left" if heading in ("name", "bearing", "notes") else "right")
    for c in held.cutters:
        own = "" if c.bearing == "none" or not c.offset_mm else f", {c.bearing_diameter_mm:g}"
        speed = f"{c.top_speed_rpm:,}/min".replace(",", " ") if c.top_speed_rpm else "as marked"
        sizes = [f"{v:.6g}" for v in (c.diameter_mm, c.cutting_length_mm, c.shank_mm)]
        table.add_row(c.name, *sizes, c.bearing + own, speed, c.notes)
    return table


def _text(typed: str) -> str:
    """As UTF-8 can hold it, whatever the terminal sent."""
    return text_of(typed.strip())
