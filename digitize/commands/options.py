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
from digitize.meaning.meanings import Kind
from digitize.model.errors import InputError
from digitize.model.pattern import THICKEST_MM
from digitize.model.sheet import CHECK_LINE_MM, Sheet, plain_sheet
from digitize.model.units import parse_board, parse_length, parse_point, parse_print_scale
from digitize.vision.mask import Which
from digitize.vision.trace import Progress, Setup

THINNEST_MM = 0.05
FAIR_MM = (0.01, 5.0)
MOST_EASED_MM = 3.0  # more is a moulding: its own edge height serves

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
Eased = Annotated[
    str | None,
    typer.Option(help="How far the upper edge is broken or rounded, like 0.5mm; the outline is the widest section."),
]
Fair = Annotated[str | None, typer.Option(help="Smooth over wear and saw marks up to this size, like 0.3mm.")]
AsMeant = Annotated[
    str | None,
    typer.Option(
        metavar="KINDS",
        help="Draw what the outline seems to mean exactly: all, or some of " + ", ".join(Kind) + ".",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the results as JSON, nothing else.")]
Unit = Annotated[str | None, typer.Option(help="mm or inch, for a DXF that does not say.", show_default=False)]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are there.")]


def setup_from(
    thickness: str | None,
    edge_height: str | None,
    sheet: str,
    check_lines: str | None,
    lens: Path | None,
    part: str,
    eased: str | None = None,
) -> Setup:
    """What is known of the photo beforehand, from the options as typed; raises InputError, FileError."""
    if thickness is None:
        raise InputError(
            "The thickness of the part is missing", "measure it with calipers and give it, like --thickness 6"
        )
    thick = parse_length(thickness, "thickness", THINNEST_MM, THICKEST_MM)
    if eased and edge_height:
        raise InputError(
            "--eased and --edge-height both tell how high the outline lies",
            "give --eased for a square edge that is broken a little, --edge-height for a moulded or turned one",
        )
    board, scale = board_and_scale(sheet, check_lines)
    return Setup(
        thickness=thick,
        eased=parse_length(eased, "eased edge", 0.0, min(MOST_EASED_MM, thick)) if eased else 0.0,
        edge_height=parse_length(edge_height, "edge height", 0.0, THICKEST_MM) if edge_height else None,
        board=board,
        print_scale=scale,
        scale_measured=check_lines is not None,
        lens=read_lens(lens) if lens else None,
        part=_part(part),
    )


def board_and_scale(sheet: str, check_lines: str | None) -> tuple[Sheet | None, tuple[float, float]]:
    """The plain board that was used, None for coded sheets, and the print scale, from the options as typed."""
    board = None if sheet.lower() == "coded" else plain_board(sheet)
    nominal = board.size if board else (CHECK_LINE_MM, CHECK_LINE_MM)
    scale = parse_print_scale(check_lines, nominal) if check_lines else (1.0, 1.0)
    return (plain_sheet(board.across, board.down, board.square, scale) if board else None), scale


def meant_kinds(text: str | None) -> frozenset[Kind]:
    """The kinds of meaning to draw exactly, as typed; raises InputError."""
    words = [word.strip().lower() for word in text.split(",")] if text is not None else []
    if words == ["all"]:
        return frozenset(Kind)
    for word in words:
        if word not in set(Kind):
            raise InputError(f"“{word}” is nothing that an outline could mean", f"choose of all, {', '.join(Kind)}")
    return frozenset(map(Kind, words))


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


def beside(source: Path, text: str | None, what: str, ending: str) -> Path | None:
    """Where a result goes: nowhere for None, as named, or for "" here, named after its source; raises InputError."""
    if text is None:
        return None
    stem = source.name.removesuffix(".json").removesuffix(".pattern") if source.suffix == ".json" else source.stem
    place = Path(text or f"{stem or 'part'}-{what}{ending}")
    check_suffix(place, ending)
    return place


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """Progress on stderr, and only where a person is looking."""
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with ProgressBar(*columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda step, done: bar.update(task, description=step, completed=done)
