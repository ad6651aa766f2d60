"""What the commands that rebuild patterns share: where the result goes, and that it never replaces its original."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from digitize.commands.options import check_suffix
from digitize.files import PATTERN_SUFFIX, check_targets, text_of, write_files
from digitize.formats.rebuild_page import rebuilt_png
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Point
from digitize.model.units import parse_point

Output = Annotated[Path, typer.Option("-o", "--output", help="The pattern file to write: a name of its own.")]
PictureFile = Annotated[
    str | None, typer.Option("--picture", metavar="[FILE]", help="Also a picture (.png), what was invented dashed.")
]


@dataclass(frozen=True)
class Places:
    """The files to write."""

    pattern: Path
    picture: Path | None

    @property
    def name(self) -> str:
        """What the pattern is called: UTF-8, whatever the file system holds."""
        return text_of(self.pattern.name[: -len(PATTERN_SUFFIX)])


def places(output: Path, picture: str | None, sources: Sequence[Path], force: bool) -> Places:
    """Where the results go; raises InputError, or FileError where they would replace what they are made of."""
    check_suffix(output, PATTERN_SUFFIX)
    stem = output.name[: -len(PATTERN_SUFFIX)]
    place = None if picture is None else Path(picture) if picture else output.with_name(f"{stem}.png")
    if place:
        check_suffix(place, ".png")
    check_targets([p for p in (output, place) if p], force, sources)
    return Places(output, place)


def deliver(
    at: Places, pattern: Pattern, before: Sequence[Outline], words: Sequence[str], force: bool, as_json: bool
) -> None:
    """Writes the pattern, and the picture where one is wanted; tells what was done."""
    contents = {at.pattern: pattern.model_dump_json(indent=1).encode()}
    if at.picture:
        contents[at.picture] = rebuilt_png(pattern, before, [*words, *(f"Note: {c}" for c in pattern.caveats)])
    write_files(contents, force)
    if as_json:
        print(json.dumps(_values(pattern, list(contents))))
        return
    width, height = pattern.size
    rows = [f"{pattern.name}: {width:.2f} x {height:.2f} mm", *words]
    rows += [f"Warning: {c}" for c in pattern.caveats] + [f"Written: {path}" for path in contents]
    print("\n".join(rows))


def _values(pattern: Pattern, files: Sequence[Path]) -> dict[str, Any]:
    return {
        "name": pattern.name,
        "size_mm": [round(side, 4) for side in pattern.size],
        "steps": [{"what": step.what, **step.values} for step in pattern.steps],
        "invented_mm": [[s.loop, round(s.start_mm, 3), round(s.end_mm, 3)] for s in pattern.invented],
        "warnings": [str(c) for c in pattern.caveats],
        "files": [str(f) for f in files],
    }


def pattern_point(text: str) -> Point:
    """A point of the pattern, mm, from ``X,Y``."""
    try:
        return parse_point(text)
    except InputError as error:
        raise InputError(f"“{text}” is not a point of the pattern", "give it in mm as X,Y, like 120,40.5") from error
