"""What the page may ask for: one form for each request, checked before anything is done."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

MOST_POINTS = 5000  # of a stroke

_FORM = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
Number = Annotated[float, Field(ge=-1e6, le=1e6)]
Place = tuple[Number, Number]
Words = Annotated[str, Field(max_length=200)]
Notes = Annotated[str, Field(max_length=20_000)]
Index = Annotated[int, Field(ge=0, le=100_000)]


class Form(BaseModel):
    model_config = _FORM


class Nothing(Form):
    pass


class Trace(Form):
    thickness: Words
    sheet: Words = "coded"
    check_lines: Words = ""
    eased: Words = ""
    edge_height: Words = ""
    fair: Words = ""
    lens: Words = ""
    at: Place | None = None

    @property
    def typed(self) -> dict[str, Any]:
        """What was typed and touched, to fill the form again."""
        return dict(self)


class Join(Trace):
    """A photo of the pieces of one broken part; what ``at`` points at does not matter."""

    lost: Words = ""
    flip: Words = ""
    way: Annotated[int, Field(ge=1, le=100)] = 1


class Edit(Form):
    """One change of an outline; which fields it takes is told by ``do``."""

    do: Literal["move", "add", "remove", "straighten", "heal", "redraw", "thickness", "undo", "redo"]
    trial: bool = False
    loop: Index = 0
    index: Index = 0
    to: Place | None = None
    near: Place | None = None
    start: Place | None = None
    end: Place | None = None
    kind: Literal["line", "arc"] = "line"
    path: Annotated[list[Place], Field(max_length=MOST_POINTS)] = []
    thickness: Words = ""


class Rebuild(Form):
    """A pattern rebuilt; which fields it takes is told by ``do``: both or half, size, hand, shrinkage, spots, edge."""

    do: Literal["both", "half", "size", "hand", "shrinkage", "spots", "edge"]
    axis: tuple[Place, Place] | None = None
    keep: Place | None = None
    by: Literal["width", "height", "between"] = "width"
    between: tuple[Place, Place] | None = None
    length: Words = ""
    alone: bool = False
    species: Words = ""
    percent: Words = ""
    rings: Literal["tangential", "rift", "radial"] = "tangential"
    then: Words = ""
    now: Words = ""
    spots: Words = ""
    moved: Literal["out", "in", "bush"] = "out"
    offset: Words = ""
    bush: Words = ""
    cutter: Words = ""


class Ruler(Form):
    a: Place
    b: Place


class Grain(Form):
    """Two places along the grain, or degrees; neither takes the direction away."""

    a: Place | None = None
    b: Place | None = None
    deg: Annotated[float, Field(ge=-360, le=360)] | None = None


class PlanAsked(Form):
    machine: Literal["table", "hand"] = "table"
    pattern_on: Literal["", "top", "below"] = ""
    flipped: bool = False
    stock: Words = ""
    allowance: Words = "2mm"
    blade: Words = ""
    plunge: Words = ""
    cutters: Annotated[list[Words], Field(max_length=500)] | None = None


class CompareAsked(Form):
    master: Annotated[str, Field(max_length=400)]
    zone: Words = ""
    fit: Literal["squares", "zone"] = "squares"
    mirrored: bool = False
    same_sheets: bool = False


class Keep(Form):
    name: Annotated[str, Field(max_length=200)]
    notes: Notes = ""
    stock: Words = ""
    tags: Words = ""
    replace: bool = False


class Pages(Form):
    paper: Words = "A4"
