"""``digitize keep``: a pattern goes into the shop's folder, with its photo, picture, and words of the shop."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from digitize.catalogue.folder import BESIDE, file_bytes, keep
from digitize.catalogue.names import tags_of
from digitize.catalogue.told import comparison
from digitize.commands.options import AsJson, Force, Unit
from digitize.commands.shelf import PATTERNS, Folder, Tags, direction
from digitize.commands.trace import PHOTO_SUFFIXES
from digitize.files import PATTERN_SUFFIX, read_part, read_photo
from digitize.formats.picture import pattern_png
from digitize.model.errors import FileError, InputError


def keep_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.", show_default=False)],
    photo: Annotated[Path | None, typer.Option(help="The photo it was traced from, to keep with it.")] = None,
    name: Annotated[str | None, typer.Option(help="What to call it.", show_default=False)] = None,
    notes: Annotated[str | None, typer.Option(help="Whatever is worth knowing.", show_default=False)] = None,
    stock: Annotated[str | None, typer.Option(help="What it is cut from.", show_default=False)] = None,
    tags: Tags = None,
    grain: Annotated[
        str | None, typer.Option(help="Direction of the fibres: degrees from the x axis, like 30deg.")
    ] = None,
    compared: Annotated[
        Path | None, typer.Option("--comparison", help="What “digitize compare --json” told, to keep with it.")
    ] = None,
    folder: Folder = PATTERNS,
    unit: Unit = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Keep a pattern among the shop's, to be found again."""
    part = read_part(pattern, unit)
    told: dict[str, Any] = {"name": name, "notes": notes, "stock": stock}
    told |= {"tags": None if tags is None else tags_of(tags), "grain_deg": None if grain is None else direction(grain)}
    part = part.model_copy(update={field: value for field, value in told.items() if value is not None})
    if not part.name.strip():
        raise InputError("A pattern needs a name", "give one, like --name “back leg”")
    if pattern.resolve().parent == folder.resolve() and not force:
        raise FileError(
            f"“{pattern}” is kept already", "give --force to replace it; the version before stays in its history"
        )
    target, kept = keep(folder, part, pattern_png, _attached(photo, compared), force)
    beside = target.with_name(target.name.removesuffix(PATTERN_SUFFIX) + BESIDE)
    if as_json:
        print(json.dumps({"name": kept.name, "file": str(target), "beside": str(beside)}))
    else:
        print(f"Kept: {kept.name}, as {target}; what goes with it is in {beside}")


def _attached(photo: Path | None, compared: Path | None) -> dict[str, bytes]:
    """What goes with the pattern, looked at before it is taken; raises PhotoError, FileError."""
    attached = {}
    if photo:
        read_photo(photo)
        ending = photo.suffix.lower()
        attached[f"photo{ending if ending in PHOTO_SUFFIXES else '.jpg'}"] = file_bytes(photo)
    if compared:
        comparison(compared)
        attached["comparison.json"] = file_bytes(compared)
    return attached
