"""What can be written, by the suffix of the file's name: a drawing or a pattern in, bytes out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from digitize.fitting.biarc import arcs_outline
from digitize.formats.drawing import Drawing, pattern_drawing
from digitize.formats.dxf import DxfForm, dxf_bytes
from digitize.formats.fullsize import fullsize_pdf
from digitize.formats.paper import PAPERS, Paper
from digitize.formats.picture import pattern_png
from digitize.formats.svg import svg_bytes
from digitize.model.pattern import Pattern

WRITERS: dict[str, Callable[[Drawing], bytes]] = {".dxf": dxf_bytes, ".svg": svg_bytes}
"""Of drawings. A new format is one function and one row."""


@dataclass(frozen=True)
class Form:
    """How a pattern is written.

    arcs_mm : None keeps splines; else they become tangent arcs within this tolerance
    """

    dxf: DxfForm = field(default_factory=DxfForm)
    paper: Paper = field(default_factory=lambda: Paper("A4", *PAPERS["A4"]))
    arcs_mm: float | None = None


PATTERN_WRITERS: dict[str, Callable[[Pattern, Form], bytes]] = {
    ".dxf": lambda pattern, form: dxf_bytes(pattern_drawing([pattern]), form.dxf),
    ".svg": lambda pattern, form: svg_bytes(pattern_drawing([pattern])),
    ".pdf": lambda pattern, form: fullsize_pdf(pattern, form.paper),
    ".png": lambda pattern, form: pattern_png(pattern),
}


def pattern_bytes(pattern: Pattern, suffix: str, form: Form) -> bytes:
    """A pattern as a file of the kind that the suffix, one of PATTERN_WRITERS, names; raises InputError."""
    if form.arcs_mm is not None:
        pattern = pattern.model_copy(update={"outline": arcs_outline(pattern.outline, form.arcs_mm)})
    return PATTERN_WRITERS[suffix](pattern, form)
