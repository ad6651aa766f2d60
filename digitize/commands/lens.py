"""``digitize lens``: several photos of printed sheets become the profile of a lens."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from digitize.commands.options import (
    AsJson,
    CheckLines,
    Force,
    SheetKind,
    board_and_scale,
    check_suffix,
    shown_progress,
)
from digitize.files import LENS_SUFFIX, check_targets, read_photo, text_of, write_files
from digitize.formats.lens_page import lens_page
from digitize.pipeline import calibrate_lens
from digitize.vision.lens import Calibration

PRINT_NOTE = (
    "How large the sheets were printed does not matter for a lens, only whether both ways alike: "
    "where the check lines differ from each other, give them (--check-lines)."
)


def lens_command(
    photos: Annotated[list[Path], typer.Argument(help="Photos of one or more sheets, 8 to 16.", show_default=False)],
    output: Annotated[
        Path, typer.Option("-o", "--output", help="The lens profile to write, like phone.lens.json.")
    ] = Path("camera.lens.json"),
    sheet: SheetKind = "coded",
    check_lines: CheckLines = None,
    picture_file: Annotated[
        str | None,
        typer.Option("--picture", metavar="[FILE]", help="Also a picture (.png): residuals, and what is known where."),
    ] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Calibrate the lens of a camera from photos of printed sheets."""
    board, scale = board_and_scale(sheet, check_lines)
    check_suffix(output, LENS_SUFFIX)
    name = text_of(output.name[: -len(LENS_SUFFIX)])
    picture = None if picture_file is None else Path(picture_file or output.with_name(f"{name}.png"))
    if picture:
        check_suffix(picture, ".png")
    targets = [output, *([picture] if picture else [])]
    check_targets(targets, force, photos)
    with shown_progress() as progress:
        found = calibrate_lens(map(read_photo, photos), len(photos), board, scale, name, progress)
        contents = {output: found.profile.model_dump_json(indent=1).encode()}
        if picture:
            contents[picture] = lens_page(found, notes(found))
    write_files(contents, force)
    results = values(found, targets)
    print(json.dumps(results) if as_json else "\n".join(f"{label:<13}{text}" for label, text in rows(found, results)))


def values(found: Calibration, files: Sequence[Path]) -> dict[str, Any]:
    """The results as JSON holds them; uncertainties are standard ones (k = 1)."""
    profile, sigma = found.profile, np.sqrt(np.diag(found.profile.covariance))
    return {
        "model": found.model,
        "description_length": {name: round(score, 1) for name, score in found.scores.items()},
        "camera": profile.camera,
        "focal_35mm": profile.focal_35mm,
        "size_px": list(profile.size),
        "parameters": list(profile.parameters),
        "sigma": [float(s) for s in sigma],
        "photos": list(found.used),
        "left_out": dict(found.left_out),
        "grid_points": profile.points,
        "outliers": found.outliers,
        "reprojection_rms_px": round(profile.rms_px, 4),
        "photo_rms_px": dict(zip(found.used, (round(r, 4) for r in found.photo_rms), strict=True)),
        "expected_mm": {"rms": round(_rms(found), 4), "largest": round(float(found.sigma_mm.max()), 4)},
        "halves_mm": None if found.halves is None else {k: round(v, 4) for k, v in found.halves._asdict().items()},
        "next_photo": found.advice,
        "warnings": [str(c) for c in found.caveats],
        "files": [str(f) for f in files],
    }


def rows(found: Calibration, results: dict[str, Any]) -> list[tuple[str, str]]:
    """The same for people at a terminal."""
    profile, sigma = found.profile, results["sigma"]
    lines = [
        ("Camera", profile.camera or "not told by the photos"),
        ("Photos", f"{profile.photos}, {profile.size[0]} x {profile.size[1]} px"),
        ("Focal length", f"{profile.parameters[0]:.1f} ± {2 * sigma[0]:.1f} px (k = 2)"),
        *(("Lens", note) for note in notes(found)),
        *(("Warning", warning) for warning in results["warnings"]),
        *(("Written", file) for file in results["files"]),
    ]
    return lines


def notes(found: Calibration) -> list[str]:
    """What there is to say about a calibration, also under its picture."""
    profile = found.profile
    others = sorted((score, name) for name, score in found.scores.items() if name != found.model)
    halves = "too few photos to compare two halves of them"
    if found.halves:
        rms, largest = found.halves
        halves = f"two halves of the photos differ by {rms:.3f} mm RMS, {largest:.3f} mm at most"
    return [
        f"Model: {found.model}; next comes {others[0][1]}, a description longer by {others[0][0]:.0f}.",
        f"{profile.points} grid points used, outliers dropped: {found.outliers}; {profile.rms_px:.3f} px RMS.",
        f"On a bench 700 mm away: {_rms(found):.3f} mm to expect (1 sigma, RMS over the frame, "
        f"{found.sigma_mm.max():.3f} mm in its worst place); {halves}.",
        f"A further photo that would help most: {found.advice}.",
        PRINT_NOTE,
    ]


def _rms(found: Calibration) -> float:
    return math.sqrt(float((found.sigma_mm**2).mean()))
