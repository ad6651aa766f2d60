"""``digitize export``: a pattern as drawing files, true-scale paper and a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from digitize.commands.options import AsMeant, Force, Unit, meant_kinds, shown_progress
from digitize.files import check_targets, read_part, write_files
from digitize.formats import PATTERN_WRITERS, Form, pattern_bytes
from digitize.formats.dxf import DxfForm, dxf_text
from digitize.formats.paper import parse_paper
from digitize.meaning.pattern import drawn_as_meant
from digitize.model.errors import Caveat, InputError
from digitize.model.pattern import Pattern
from digitize.model.units import parse_length, parse_unit

TOLERANCE_MM = (0.001, 1.0)
USUAL_ARCS, USUAL_CHORDS = "0.02mm", "0.01mm"


def export_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.", show_default=False)],
    outputs: Annotated[
        list[Path], typer.Argument(metavar="OUT...", help="Files to write: .dxf, .svg, .pdf, .png.", show_default=False)
    ],
    arcs: Annotated[
        str | None,
        typer.Option(metavar="[LENGTH]", help=f"Splines as tangent arcs, this near to them (bare: {USUAL_ARCS})."),
    ] = None,
    r12: Annotated[
        str | None,
        typer.Option(metavar="[LENGTH]", help=f"DXF R12: splines as chords, this near to them (bare: {USUAL_CHORDS})."),
    ] = None,
    dxf_unit: Annotated[str, typer.Option(help="Unit of the DXF that is written: mm or inch.")] = "mm",
    paper: Annotated[str, typer.Option(help="Paper of the PDF: A4, A3, Letter, Tabloid, or roll:610mm.")] = "A4",
    as_meant: AsMeant = None,
    unit: Unit = None,
    force: Force = False,
) -> None:
    """Write a pattern as DXF, SVG, PDF on paper at full size, or PNG picture."""
    for output in outputs:
        if output.suffix.lower() not in PATTERN_WRITERS or not output.stem.strip("."):
            raise InputError(
                f"“{output}” cannot be written", f"give it one of the endings {', '.join(PATTERN_WRITERS)}"
            )
    form = written_as(dxf_unit, r12, paper, arcs)
    check_targets(outputs, force, [pattern])
    meant = meant_kinds(as_meant)
    part = read_part(pattern, unit)
    part = drawn_as_meant(part, meant) if meant else part
    contents = {}
    with shown_progress() as progress:
        for i, output in enumerate(outputs):
            progress(f"writing {output.name}", i / len(outputs))
            contents[output] = pattern_bytes(part, output.suffix.lower(), form)
    write_files(contents, force)
    notes = [*part.caveats, *_unwritable(part, outputs)]
    print("\n".join([f"Note: {note}" for note in notes] + [f"Written: {output}" for output in outputs]))


def written_as(dxf_unit: str, r12: str | None, paper: str, arcs: str | None) -> Form:
    """How to write, from the options as typed; raises InputError."""
    chords = None if r12 is None else parse_length(r12 or USUAL_CHORDS, "chord error", *TOLERANCE_MM)
    near = None if arcs is None else parse_length(arcs or USUAL_ARCS, "tolerance of the arcs", *TOLERANCE_MM)
    return Form(DxfForm(parse_unit(dxf_unit), chords), parse_paper(paper), near)


def _unwritable(part: Pattern, outputs: list[Path]) -> list[Caveat]:
    """Tells of a name that a DXF cannot carry as it is."""
    carried = dxf_text(part.name)
    if carried == part.name or all(o.suffix.lower() != ".dxf" for o in outputs):
        return []
    name = " ".join(part.name.split())
    return [Caveat(f"a DXF cannot carry the name “{name}” and has “{carried}”", "give a plainer one if it matters")]
