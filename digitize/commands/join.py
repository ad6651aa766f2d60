"""``digitize join``: the pieces of a broken part put together again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

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
    fair_mm,
    setup_from,
    shown_progress,
)
from digitize.commands.reading import Reader, is_photo
from digitize.commands.rebuilding import Output, PictureFile, deliver, places
from digitize.editing.measured import invented_length
from digitize.model.errors import InputError
from digitize.model.pattern import Pattern
from digitize.model.units import parse_length, parse_numbers
from digitize.pipeline import Frame, level
from digitize.rebuild.affine import mirror_matrix, transformed
from digitize.rebuild.fragments import LOST_MM, MOST_LOST_MM, Joined, joined
from digitize.rebuild.joining import whole_of

MOST_PIECES = 20


def join_command(
    files: Annotated[
        list[Path], typer.Argument(help="Photos of the pieces, or pattern files or DXF of one each.", metavar="PIECES")
    ],
    output: Output,
    lost: Annotated[str, typer.Option(help="How deep splinters may be missing along the fracture.")] = f"{LOST_MM:g}mm",
    flip: Annotated[
        str | None, typer.Option(help="Numbers of pieces that lie with their other face up, like 2 or 1,3.")
    ] = None,
    way: Annotated[int, typer.Option(help="Another way to join, where the pieces fit in several.")] = 1,
    unit: Unit = None,
    thickness: Thickness = None,
    sheet: SheetKind = "coded",
    check_lines: CheckLines = None,
    lens: Lens = None,
    edge_height: EdgeHeight = None,
    eased: Eased = None,
    fair: Fair = None,
    picture: PictureFile = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Join the pieces of a broken part into one pattern: the fracture is found, its edges carried on across it."""
    photos = any(map(is_photo, files))
    setup = setup_from(thickness, edge_height, sheet, check_lines, lens, "all", eased) if photos else None
    depth = parse_length(lost, "depth of lost splinters", 0.0, MOST_LOST_MM)
    turned = parse_numbers(flip, MOST_PIECES) if flip else ()
    at = places(output, picture, [*files, *([lens] if lens else [])], force)
    with shown_progress() as progress:
        reader = Reader(unit, setup, fair_mm(fair), Frame.BENCH, progress)
        pieces = flipped([p for f in files for p in reader.read(f)], turned)
        progress("joining the pieces", 0.95)
        found = joined([p.outline for p in pieces], depth, way)
    pattern, before = whole_of(pieces, found, at.name, datetime.now(UTC), {"lost_mm": depth, "way": float(way)}, level)
    deliver(at, pattern, before, joint_words(found), force, as_json)


def flipped(pieces: Sequence[Pattern], numbers: Sequence[int]) -> list[Pattern]:
    """The pieces, those of the given numbers (from 1) mirrored."""
    if any(not 1 <= k <= len(pieces) for k in numbers):
        raise InputError(f"Pieces to flip are numbered from 1 to {len(pieces)}", "look at the picture of the tracing")
    mirror = mirror_matrix(math.pi / 2)
    return [
        p.model_copy(update={"outline": transformed(p.outline, mirror)}) if k in numbers else p
        for k, p in enumerate(pieces, start=1)
    ]


def joint_words(found: Joined) -> list[str]:
    """What the joints are like."""
    lines = [
        f"pieces {j.pieces[0]} and {j.pieces[1]}: {j.contact_mm:.0f} mm of edge touch, gaps up to {j.gap_mm:.2f} mm, "
        f"overlaps up to {j.overlap_mm:.2f} mm; joint ± {j.angle_deg:.3f}° and ± {j.shift_mm:.2f} mm (k = 2)"
        for j in found.joints
    ]
    invented = invented_length(found.outline, found.invented)
    return [*lines, f"{invented:.1f} mm of edge across the fractures is invented (dashed in pictures)"]
