"""``digitize show``: everything about one of the shop's patterns."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from digitize.catalogue.find import named
from digitize.catalogue.told import record, record_values, record_words
from digitize.commands.options import AsJson
from digitize.commands.shelf import PATTERNS, Folder


def show_command(
    name: Annotated[str, typer.Argument(help="Its name, its file's name, or how they begin.", show_default=False)],
    folder: Folder = PATTERNS,
    as_json: AsJson = False,
) -> None:
    """Show what is known of a kept pattern: sizes, marks, history and files."""
    found = record(folder, named(folder, name).stem)
    print(json.dumps(record_values(found)) if as_json else record_words(found))
