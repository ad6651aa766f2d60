"""The commands: arguments in, one call of the pipeline, files and a summary out, and the exit code."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as ProgressBar

from digitize import __version__
from digitize.files import check_targets, read_lens, read_photo, write_files
from digitize.formats import WRITERS
from digitize.formats.drawing import pattern_drawing
from digitize.formats.pdf import PAPERS, sheets_pdf
from digitize.model.errors import DigitizeError, InputError
from digitize.model.pattern import THICKEST_MM
from digitize.model.sheet import CHECK_LINE_MM, CODED_SHEETS, Sheet, coded_sheet, plain_sheet
from digitize.model.units import parse_board, parse_length, parse_numbers, parse_point, parse_print_scale
from digitize.pipeline import Frame, Tracing, picture, trace
from digitize.summary import caption, summary, values
from digitize.vision.mask import Which
from digitize.vision.trace import Progress, Setup

THINNEST_MM = 0.05
FAIR_MM = (0.01, 5.0)
PATTERN_SUFFIX = ".pattern.json"
BARE = {"--dxf": (".dxf",), "--picture": (".png",)}  # options that may stand without a path, and their paths' endings

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)


def main(argv: list[str] | None = None) -> int:
    """Run a command; returns 0, 2 where the job cannot be done, 130 where it was stopped by the keyboard."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # file names and terminals of any encoding
            stream.reconfigure(errors="backslashreplace")
    try:
        outcome = app(with_bare_options(sys.argv[1:] if argv is None else argv), "digitize", standalone_mode=False)
        return outcome if isinstance(outcome, int) else 0
    except (KeyboardInterrupt, typer.Abort):
        return 130
    except DigitizeError as error:
        return _refused(str(error))
    except Exception as error:
        if hasattr(error, "format_message"):  # typer's own, about options and arguments
            return _refused(f"{error.format_message().rstrip('.')} (see digitize --help).")
        return _refused(f"Something unexpected went wrong ({type(error).__name__}: {error}): please report it.")


def _refused(sentence: str) -> int:
    sentence = " ".join(sentence.split())
    print(sentence[:1].upper() + sentence[1:], file=sys.stderr)
    return 2


def with_bare_options(argv: Sequence[str]) -> list[str]:
    """The arguments with ``--dxf`` and ``--picture`` given a value each, which the command line parser asks for.

    Standing alone they get an empty one, "beside the pattern". They stand alone unless the next argument ends like a
    file they write: after ``--picture`` a ``part.jpg`` is a photo to trace, a ``part.png`` the picture to write.
    """
    words: list[str] = []
    rest = list(argv)
    while rest and rest[0] != "--":
        word = rest.pop(0)
        takes_next = word in BARE and rest and not rest[0].startswith("-") and rest[0].lower().endswith(BARE[word])
        words.append(f"{word}={rest.pop(0) if takes_next else ''}" if word in BARE else word)
    return words + rest


def _show_version(asked: bool) -> None:
    if asked:
        print(f"digitize {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """From a photo of a flat part beside printed sheets to its true outline in millimetres."""
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command()
def sheet(
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")] = Path("sheets.pdf"),
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    numbers: Annotated[str, typer.Option(help="Which coded sheets: 0-3 or 0,5; there are 18, from 0 to 17.")] = "0-3",
    plain: Annotated[str | None, typer.Option(help="A plain checkerboard instead, like 10x7x25mm.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write checkerboard sheets to print and lay round the part."""
    size = {name.lower(): name for name in PAPERS}.get(paper.lower())
    if size is None:
        raise InputError(f"“{paper}” is not a paper that is known", f"choose {' or '.join(PAPERS)}")
    _check_suffix(output, ".pdf")
    check_targets([output], force)
    sheets = [_plain_board(plain)] if plain else [coded_sheet(k) for k in parse_numbers(numbers, CODED_SHEETS - 1)]
    write_files({output: sheets_pdf(sheets, size)}, force)
    print(f"Written: {output} ({len(sheets)} {'page' if len(sheets) == 1 else 'pages'}, {size})")


@app.command(name="trace")
def trace_command(
    photos: Annotated[list[Path], typer.Argument(help="The photo: JPEG, PNG, TIFF or HEIC.", show_default=False)],
    thickness: Annotated[
        str | None, typer.Option(help="Thickness of the part: 6, 6mm, 1/4in. Always needed.", show_default=False)
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="The pattern file to write (default: PHOTO.pattern.json, here)."),
    ] = None,
    sheet: Annotated[
        str, typer.Option(help="coded, or a plain board as plain:10x7x25mm (across x down x side).")
    ] = "coded",
    check_lines: Annotated[
        str | None,
        typer.Option(
            help="The 150 mm lines as measured on the print, across and down: 149.6mm,149.8mm. "
            "For a plain board its whole width and height."
        ),
    ] = None,
    lens: Annotated[Path | None, typer.Option(help="Lens profile of the camera.")] = None,
    part: Annotated[str, typer.Option(help="largest, all, or X,Y: the part at this pixel.")] = "largest",
    edge_height: Annotated[
        str | None,
        typer.Option(help="Height of the outline above the bench, for rounded, moulded or turned edges."),
    ] = None,
    fair: Annotated[
        str | None, typer.Option(help="Smooth over wear and saw marks up to this size, like 0.3mm.")
    ] = None,
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
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON, nothing else.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there.")] = False,
) -> None:
    """Trace the part in a photo into a pattern file."""
    setup = _setup(thickness, edge_height, sheet, check_lines, lens, part)
    fair_mm = parse_length(fair, "fairing tolerance", *FAIR_MM) if fair else None
    targets = _targets(photos[0], output, dxf, picture_file)
    check_targets(targets.expected(setup), force, [*photos, *([lens] if lens else [])])
    with _shown_progress() as progress:
        progress("reading the photo", 0.0)
        pictures = [read_photo(photo) for photo in photos]
        tracing = trace(pictures, setup, fair_mm, frame, targets.name, datetime.now(UTC), progress)
        contents = targets.contents(tracing)
    write_files(contents, force)
    results = values(tracing, list(contents))
    print(json.dumps(results) if as_json else summary(tracing, results))


def _setup(
    thickness: str | None, edge_height: str | None, sheet: str, check_lines: str | None, lens: Path | None, part: str
) -> Setup:
    if thickness is None:
        raise InputError(
            "The thickness of the part is missing", "measure it with calipers and give it, like --thickness 6"
        )
    board = None if sheet.lower() == "coded" else _plain_board(sheet)
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


def _part(text: str) -> Which:
    words: dict[str, Which] = {"largest": "largest", "all": "all"}
    return words.get(text.strip().lower()) or parse_point(text)


def _plain_board(text: str) -> Sheet:
    return plain_sheet(*parse_board(text.strip().lower().removeprefix("plain:")))


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
        return self.stem.name.encode("utf-8", "replace").decode()

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
    _check_suffix(output, suffix)
    stem = output.with_name(output.name[: -len(suffix)])
    beside = [(dxf, ".dxf"), (picture_file, ".png")]
    places = [None if text is None else Path(text or f"{stem}{ending}") for text, ending in beside]
    for place, (_, ending) in zip(places, beside, strict=True):
        if place:
            _check_suffix(place, ending)
    return Targets(stem, output.name[-len(suffix) :], *places)


def _check_suffix(path: Path, suffix: str) -> None:
    if not path.name.lower().endswith(suffix) or not path.name[: -len(suffix)].strip("."):
        raise InputError(f"“{path}” does not end in {suffix}", f"name the output like {path.stem or 'part'}{suffix}")


@contextmanager
def _shown_progress() -> Iterator[Progress]:
    """Progress on stderr, and only where a person is looking."""
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with ProgressBar(*columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda step, done: bar.update(task, description=step, completed=done)
