"""``digitize compare``: parts against their master, with deviations, their uncertainty and a verdict."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from digitize.commands.options import (
    AsJson,
    CheckLines,
    Eased,
    EdgeHeight,
    Fair,
    Force,
    Lens,
    SheetKind,
    Thickness,
    Unit,
    beside,
    fair_mm,
    setup_from,
    shown_progress,
)
from digitize.commands.reading import Reader, is_photo
from digitize.compare.compare import SPACING_MM, Comparison, Fit, How
from digitize.compare.report import deviations_csv, measured, rows, series_table, values
from digitize.files import check_targets, write_files
from digitize.formats.compare_page import comparison_png, report_pdf, series_pdf, series_png
from digitize.model.errors import InputError
from digitize.model.segment import Point
from digitize.model.units import parse_length
from digitize.pipeline import Frame, compare_parts

LEAST_MM = 0.001  # of a zone or a spacing
WIDEST_MM = 100.0


def compare_command(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="PART MASTER, or any number of parts with --master: photos, patterns or DXF.", metavar="PART"
        ),
    ],
    master: Annotated[Path | None, typer.Option(help="The master, where several parts are compared with it.")] = None,
    zone: Annotated[
        str | None, typer.Option(help="Full width of the tolerance zone, like 0.5mm: half of it on either side.")
    ] = None,
    datum: Annotated[
        list[str] | None,
        typer.Option(
            help="Lay the part on this edge of the master: its number in the picture, or X,Y near it; repeat."
        ),
    ] = None,
    fit: Annotated[
        Fit, typer.Option(help="squares: least squares; zone: the largest deviation as small as it can be.")
    ] = Fit.SQUARES,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The part lies with its other face up.")] = False,
    same_sheets: Annotated[
        bool,
        typer.Option(
            "--same-sheets",
            help="Both were measured beside the very same prints, lying the same way: what those are off by cancels.",
        ),
    ] = False,
    spacing: Annotated[str, typer.Option(help="From one deviation to the next along the master.")] = f"{SPACING_MM}mm",
    unit: Unit = None,
    thickness: Thickness = None,
    sheet: SheetKind = "coded",
    check_lines: CheckLines = None,
    lens: Lens = None,
    edge_height: EdgeHeight = None,
    eased: Eased = None,
    fair: Fair = None,
    picture: Annotated[
        str | None, typer.Option(metavar="[FILE]", help="Also a picture (.png) of the deviations, or of their trend.")
    ] = None,
    report: Annotated[str | None, typer.Option(metavar="[FILE]", help="Also a report (.pdf) of one page.")] = None,
    csv: Annotated[str | None, typer.Option(metavar="[FILE]", help="Also all deviations (.csv).")] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Compare parts with their master: deviations, their uncertainty, and whether they conform."""
    parts, base = _roles(files, master)
    how = How(
        zone=parse_length(zone, "zone", LEAST_MM, WIDEST_MM) if zone is not None else None,
        spacing=parse_length(spacing, "spacing", LEAST_MM, WIDEST_MM),
        fit=fit,
        datums=tuple(_datum(d) for d in datum or ()),
        mirrored=mirrored,
        same_sheets=same_sheets,
    )
    photos = any(map(is_photo, (*parts, base)))
    setup = setup_from(thickness, edge_height, sheet, check_lines, lens, "largest", eased) if photos else None
    targets = _targets(parts, base, picture, report, csv)
    check_targets([t for t in targets.all if t], force, [*parts, base, *([lens] if lens else [])])
    with shown_progress() as progress:
        reader = Reader(unit, setup, fair_mm(fair), Frame.PART, progress)
        known = {path: reader.read(path)[0] for path in dict.fromkeys((base, *parts))}
        found = compare_parts([known[p] for p in parts], known[base], how)
    contents = targets.contents(found, datetime.now(UTC))
    write_files(contents, force)
    told = _values(found, list(contents))
    print(json.dumps(told) if as_json else _summary(found, list(contents)))


@dataclass(frozen=True)
class Targets:
    """Where the results go, None where they are not wanted."""

    picture: Path | None
    report: Path | None
    csv: Path | None

    @property
    def all(self) -> tuple[Path | None, ...]:
        return self.picture, self.report, self.csv

    def contents(self, found: Sequence[Comparison], when: datetime) -> dict[Path, bytes]:
        one = found[0] if len(found) == 1 else None
        contents: dict[Path, bytes] = {}
        if self.picture:
            contents[self.picture] = comparison_png(one) if one else series_png(found)
        if self.report:
            contents[self.report] = report_pdf(one, when) if one else series_pdf(found, when)
        if self.csv:
            tables = [deviations_csv(f) for f in found]
            contents[self.csv] = (tables[0] if one else _joined(found, tables)).encode()
        return contents


def _joined(found: Sequence[Comparison], tables: Sequence[str]) -> str:
    """The tables of several parts as one, the part's number (from 1) before each line."""
    lines = [f"part,{tables[0].splitlines()[0]}"]
    for number, (_, table) in enumerate(zip(found, tables, strict=True), start=1):
        lines += [f"{number},{line}" for line in table.splitlines()[1:]]
    return "\n".join(lines) + "\n"


def _roles(files: Sequence[Path], master: Path | None) -> tuple[list[Path], Path]:
    if master is not None:
        return list(files), master
    if len(files) != 2:
        raise InputError(
            f"{len(files)} file{'s were' if len(files) > 1 else ' was'} given and it is not said which is the master",
            "write PART MASTER, or any number of parts and --master MASTER",
        )
    return [files[0]], files[1]


def _datum(text: str) -> int | Point:
    """An edge's number, or a point X,Y (mm on the master)."""
    if re.fullmatch(r"\s*[0-9]{1,6}\s*", text):
        return int(text)
    number = r"\s*(-?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))\s*"
    match = re.fullmatch(f"{number},{number}", text)
    if match is None:
        raise InputError(
            f"“{text}” is not a datum edge",
            "give its number in the picture, like 3, or a point near it in mm, like 120,4",
        )
    return float(match[1]), float(match[2])


def _targets(parts: Sequence[Path], master: Path, picture: str | None, report: str | None, csv: str | None) -> Targets:
    named = parts[0] if len(parts) == 1 else master
    endings = ((picture, ".png"), (report, ".pdf"), (csv, ".csv"))
    return Targets(*(beside(named, text, "compared", ending) for text, ending in endings))


def _values(found: Sequence[Comparison], files: Sequence[Path]) -> dict[str, Any]:
    named = [str(f) for f in files]
    if len(found) == 1:
        return {**values(found[0]), "files": named}
    return {"master": found[0].master.name, "parts": [values(f) for f in found], "files": named}


def _summary(found: Sequence[Comparison], files: Sequence[Path]) -> str:
    written = [("Written", str(f)) for f in files]
    if len(found) == 1:
        lines = [("Part", measured(found[0].part)), ("Master", measured(found[0].master)), *rows(found[0]), *written]
        return "\n".join(f"{label:<13}{text}" for label, text in lines)
    table = series_table(found)
    widths = [max(len(line[i]) for line in table) for i in range(len(table[0]))]
    lines = [
        ("Master", measured(found[0].master)),
        *((f.part.name, str(c)) for f in found for c in f.caveats),
        *written,
    ]
    told = ["  ".join(word.ljust(width) for word, width in zip(line, widths, strict=True)).rstrip() for line in table]
    return "\n".join(told + [f"{label:<13}{text}" for label, text in lines])
