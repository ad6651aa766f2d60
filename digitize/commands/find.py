"""``digitize find``: the shop's patterns by words, tags and size, or by their shape."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from digitize.catalogue.find import Asked, find, find_like
from digitize.catalogue.folder import kept_files
from digitize.catalogue.names import tags_of
from digitize.catalogue.told import entry_values, entry_words, found_values, found_words
from digitize.commands.options import (
    AsJson,
    CheckLines,
    Eased,
    EdgeHeight,
    Lens,
    Part,
    SheetKind,
    Unit,
    setup_from,
    shown_progress,
)
from digitize.commands.reading import Reader, is_photo
from digitize.commands.shelf import PATTERNS, Folder, size_range
from digitize.model.errors import InputError
from digitize.pipeline import Frame

MOST_WORDS, MOST_SHAPES = 50, 5
MOST_ASKED = 10_000


def find_command(
    words: Annotated[
        list[str] | None, typer.Argument(help="Words, or how they begin, in any order.", show_default=False)
    ] = None,
    tag: Annotated[str | None, typer.Option(help="Only with these tags, between commas.", show_default=False)] = None,
    size: Annotated[
        str | None,
        typer.Option(help="Only of this size, the larger of width and height: 100-200mm.", show_default=False),
    ] = None,
    like: Annotated[
        Path | None,
        typer.Option(help="Nearest in shape to this photo, pattern or DXF, in any turn, or turned over."),
    ] = None,
    most: Annotated[
        int | None,
        typer.Option(min=1, max=MOST_ASKED, help=f"Patterns to show ({MOST_WORDS}; by shape {MOST_SHAPES})."),
    ] = None,
    folder: Folder = PATTERNS,
    thickness: Annotated[
        str | None, typer.Option(help="Thickness of the part in a photo: 6, 6mm, 1/4in.", show_default=False)
    ] = None,
    sheet: SheetKind = "coded",
    check_lines: CheckLines = None,
    lens: Lens = None,
    part: Part = "largest",
    edge_height: EdgeHeight = None,
    eased: Eased = None,
    unit: Unit = None,
    as_json: AsJson = False,
) -> None:
    """Find patterns among the shop's, by words, tags, size or shape."""
    asked = Asked(" ".join(words or ()), tags_of(tag or ""), size_range(size) if size else None)
    photo = like is not None and is_photo(like)
    setup = setup_from(thickness, edge_height, sheet, check_lines, lens, part, eased) if photo else None
    if setup and setup.part == "all":
        raise InputError("One part's shape is looked for at a time", "give --part largest, or X,Y for a pixel of it")
    kept_files(folder)  # before the long work begins
    with shown_progress() as progress:
        if like is None:
            entries, wrong = find(folder, asked, progress)
            most = most or MOST_WORDS
            values = [entry_values(e, folder) for e in entries[:most]]
            lines = [entry_words(e) for e in entries[:most]]
            more = len(entries) - len(lines)
        else:
            (part_like,) = Reader(unit, setup, None, Frame.PART, progress).read(like)
            found, wrong = find_like(folder, part_like.outline, asked, most or MOST_SHAPES, progress)
            values, lines, more = [found_values(f, folder) for f in found], [found_words(f) for f in found], 0
    if as_json:
        print(json.dumps({"patterns": values, "more": more, "warnings": wrong}))
        return
    lines += [f"and {more} more"] if more else []
    print("\n".join([*(lines or ["Nothing was found."]), *(f"Warning: {w}." for w in wrong)]))
