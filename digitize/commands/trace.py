"""``digitize trace``: the part in a photo becomes a pattern file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from digitize.commands.options import (
    AsJson,
    AsMeant,
    CheckLines,
    Eased,
    EdgeHeight,
    Fair,
    Force,
    Lens,
    Part,
    SheetKind,
    Thickness,
    check_suffix,
    fair_mm,
    meant_kinds,
    setup_from,
    shown_progress,
)
from digitize.files import PATTERN_SUFFIX, check_targets, read_photo, text_of, write_files
from digitize.formats import WRITERS
from digitize.formats.drawing import pattern_drawing
from digitize.model.errors import InputError
from digitize.pipeline import Frame, Tracing, picture, trace
from digitize.summary import budget_table, caption, summary, values
from digitize.vision.trace import Setup

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")


def trace_command(
    photos: Annotated[
        list[Path],
        typer.Argument(
            help="The photo, or several of the same bench, nothing moved: JPEG, PNG, TIFF or HEIC.", show_default=False
        ),
    ],
    thickness: Thickness = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="The pattern file to write (default: PHOTO.pattern.json, here)."),
    ] = None,
    sheet: SheetKind = "coded",
    check_lines: CheckLines = None,
    lens: Lens = None,
    part: Part = "largest",
    edge_height: EdgeHeight = None,
    eased: Eased = None,
    fair: Fair = None,
    as_meant: AsMeant = None,
    frame: Annotated[
        Frame, typer.Option(help="part: level, from its lower left corner; bench: as it lies on the bench.")
    ] = Frame.PART,
    dxf: Annotated[
        str | None, typer.Option(metavar="[FILE]", help="Also a DXF, beside the pattern or as FILE.")
    ] = None,
    picture_file: Annotated[
        str | None,
        typer.Option("--picture", metavar="[FILE]", help="Also a picture (.png) of the outline on the photo."),
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Also list what the uncertainty is made of.")] = False,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Trace the part in a photo, or in several of the same bench, into a pattern file."""
    _check_photos(photos, {"--dxf": dxf, "--picture": picture_file})
    setup = setup_from(thickness, edge_height, sheet, check_lines, lens, part, eased)
    tolerance, meant = fair_mm(fair), meant_kinds(as_meant)
    targets = _targets(photos[0], output, dxf, picture_file)
    check_targets(targets.expected(setup), force, [*photos, *([lens] if lens else [])])
    with shown_progress() as progress:
        progress("reading the photo", 0.0)
        pictures = [read_photo(photo) for photo in photos]
        tracing = trace(pictures, setup, tolerance, frame, meant, targets.name, datetime.now(UTC), progress)
        contents = targets.contents(tracing)
    write_files(contents, force)
    results = values(tracing, list(contents))
    if as_json:
        print(json.dumps(results))
    else:
        print(summary(tracing, results) + (f"\n\n{budget_table(tracing)}" if budget else ""))


def _check_photos(photos: list[Path], outputs: dict[str, str | None]) -> None:
    """Raises InputError where what was meant for an output, but does not end like one, was taken for a photo."""
    endings = {"--dxf": ".dxf", "--picture": ".png"}
    bare = [option for option, value in outputs.items() if value == ""]
    for photo in photos if len(photos) > 1 else []:
        if bare and photo.suffix.lower() not in PHOTO_SUFFIXES:
            raise InputError(
                f"“{photo}” was taken for a photo, since after {bare[0]} only a name that ends in {endings[bare[0]]} "
                "is the file to write",
                f"name it like {photo.stem or 'part'}{endings[bare[0]]}",
            )


@dataclass(frozen=True)
class Targets:
    """Where the results go; ``stem`` is the pattern file without its suffix."""

    stem: Path
    suffix: str
    dxf: Path | None
    picture: Path | None

    @property
    def name(self) -> str:
        """What the pattern is called: UTF-8, whatever the file system holds."""
        return text_of(self.stem.name)

    def pattern(self, number: int | None = None) -> Path:
        ending = self.suffix if number is None else f"-{number}{self.suffix}"
        return self.stem.with_name(self.stem.name + ending)

    def expected(self, setup: Setup) -> list[Path]:
        """What will be written, as far as it is known before."""
        patterns = [self.pattern(), self.pattern(1)] if setup.part == "all" else [self.pattern()]
        return patterns + [p for p in (self.dxf, self.picture) if p]

    def contents(self, tracing: Tracing) -> dict[Path, bytes]:
        several = len(tracing.patterns) > 1
        contents = {
            self.pattern(i if several else None): pattern.model_dump_json(indent=1).encode()
            for i, pattern in enumerate(tracing.patterns, start=1)
        }
        if self.dxf:
            contents[self.dxf] = WRITERS[".dxf"](pattern_drawing(tracing.patterns))
        if self.picture:
            contents[self.picture] = picture(tracing, caption(tracing))
        return contents


def _targets(photo: Path, output: Path | None, dxf: str | None, picture_file: str | None) -> Targets:
    output = Path((photo.resolve().stem or "part") + PATTERN_SUFFIX) if output is None else output
    suffix = PATTERN_SUFFIX if output.name.lower().endswith(PATTERN_SUFFIX) else ".json"
    check_suffix(output, suffix)
    stem = output.with_name(output.name[: -len(suffix)])
    beside = [(dxf, ".dxf"), (picture_file, ".png")]
    places = [None if text is None else Path(text or f"{stem}{ending}") for text, ending in beside]
    for place, (_, ending) in zip(places, beside, strict=True):
        if place:
            check_suffix(place, ending)
    return Targets(stem, output.name[-len(suffix) :], *places)
