"""What the commands share: options about a photo and its sheets, endings of file names, progress."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as ProgressBar

from digitize.files import read_lens
from digitize.model.errors import InputError
from digitize.model.pattern import THICKEST_MM
from digitize.model.sheet import CHECK_LINE_MM, Sheet, plain_sheet
from digitize.model.units import parse_board, parse_length, parse_point, parse_print_scale
from digitize.vision.mask import Which
from digitize.vision.trace import Progress, Setup

THINNEST_MM = 0.05
FAIR_MM = (0.01, 5.0)
PATTERN_SUFFIX = ".pattern.json"

Thickness = Annotated[
    str | None, typer.Option(help="Thickness of the part: 6, 6mm, 1/4in. Always needed.", show_default=False)
]
SheetKind = Annotated[str, typer.Option(help="coded, or a plain board as plain:10x7x25mm (across x down x side).")]
CheckLines = Annotated[
    str | None,
    typer.Option(
        help="The 150 mm lines as measured on the print, across and down: 149.6mm,149.8mm. "
        "For a plain board its whole width and height."
    ),
]
Lens = Annotated[Path | None, typer.Option(help="Lens profile of the camera.")]
Part = Annotated[str, typer.Option(help="largest, all, or X,Y: the part at this pixel.")]
EdgeHeight = Annotated[
    str | None, typer.Option(help="Height of the outline above the bench, for rounded, moulded or turned edges.")
]
Fair = Annotated[str | None, typer.Option(help="Smooth over wear and saw marks up to this size, like 0.3mm.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the results as JSON, nothing else.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are there.")]


def setup_from(
    thickness: str | None, edge_height: str | None, sheet: str, check_lines: str | None, lens: Path | None, part: str
) -> Setup:
    """What is known of the photo beforehand, from the options as typed; raises InputError, FileError."""
    if thickness is None:
        raise InputError(
            "The thickness of the part is missing", "measure it with calipers and give it, like --thickness 6"
        )
    board = None if sheet.lower() == "coded" else plain_board(sheet)
    nominal = board.size if board else (CHECK_LINE_MM, CHECK_LINE_MM)
    scale = parse_print_scale(check_lines, nominal) if check_lines else (1.0, 1.0)
    return Setup(
        thickness=parse_length(thickness, "thickness", THINNEST_MM, THICKEST_MM),
        edge_height=parse_length(edge_height, "edge height", 0.0, THICKEST_MM) if edge_height else None,
        board=plain_sheet(board.across, board.down, board.square, scale) if board else None,
        print_scale=scale,
        scale_measured=check_lines is not None,
        lens=read_lens(lens) if lens else None,
        part=_part(part),
    )


def fair_mm(fair: str | None) -> float | None:
    """The fairing tolerance as typed, mm."""
    return parse_length(fair, "fairing tolerance", *FAIR_MM) if fair else None


def _part(text: str) -> Which:
    words: dict[str, Which] = {"largest": "largest", "all": "all"}
    return words.get(text.strip().lower()) or parse_point(text)


def plain_board(text: str) -> Sheet:
    """A plain checkerboard from ``10x7x25mm`` or ``plain:10x7x25mm``."""
    return plain_sheet(*parse_board(text.strip().lower().removeprefix("plain:")))


def check_suffix(path: Path, suffix: str) -> None:
    """Raises InputError unless the name ends so, with something before it."""
    if not path.name.lower().endswith(suffix) or not path.name[: -len(suffix)].strip("."):
        raise InputError(f"“{path}” does not end in {suffix}", f"name the output like {path.stem or 'part'}{suffix}")


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """Progress on stderr, and only where a person is looking."""
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with ProgressBar(*columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda step, done: bar.update(task, description=step, completed=done)
