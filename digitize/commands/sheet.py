"""``digitize sheet``: checkerboard sheets to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from digitize.commands.options import check_suffix, plain_board
from digitize.files import check_targets, write_files
from digitize.formats.pdf import PAPERS, sheets_pdf
from digitize.model.errors import InputError
from digitize.model.sheet import CODED_SHEETS, coded_sheet
from digitize.model.units import parse_numbers


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
    check_suffix(output, ".pdf")
    check_targets([output], force)
    sheets = [plain_board(plain)] if plain else [coded_sheet(k) for k in parse_numbers(numbers, CODED_SHEETS - 1)]
    write_files({output: sheets_pdf(sheets, size)}, force)
    print(f"Written: {output} ({len(sheets)} {'page' if len(sheets) == 1 else 'pages'}, {size})")
