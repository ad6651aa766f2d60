"""Pattern cutters and the rack they stand in.

The class is the file: a ``Rack`` is written as TOML by :func:`rack_toml` and read back by ``Rack.model_validate``.
Sizes and speeds here are common practice (catalogue sizes from memory); a cutter's own marking rules.
"""

from __future__ import annotations

import json
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

INCH_MM = 25.4  # exact

BearingPlace = Literal["shank", "tip", "both", "none"]

RACK_NAME = "rack.toml"
BEARING_HEIGHT_MM = 5.0  # the common small ball bearing, 0.196 in wide; from memory
SPEEDS = ((25.4, 24_000), (50.8, 18_000), (63.5, 16_000), (88.9, 12_000))  # up to this diameter: top speed, 1/min
"""Common practice, published as a general guideline by several makers of routers."""

_FORM = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Cutter(BaseModel):
    """A straight cutter that follows a pattern.

    cutting_length_mm : of the cutting edges, along the axis
    bearing : where the bearing sits; "none" where only a guide bush can lead the cutter
    bearing_mm : its diameter; None means as large as the cutter
    """

    model_config = _FORM

    name: str = Field(min_length=1)
    diameter_mm: float = Field(gt=0, le=150)
    cutting_length_mm: float = Field(gt=0, le=150)
    shank_mm: float = Field(gt=0, le=50)
    bearing: BearingPlace
    bearing_mm: float | None = Field(default=None, gt=0, le=150)
    bearing_height_mm: float = Field(default=BEARING_HEIGHT_MM, gt=0, le=50)
    notes: str = ""

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2

    @property
    def bearing_diameter_mm(self) -> float:
        return self.diameter_mm if self.bearing_mm is None else self.bearing_mm

    @property
    def offset_mm(self) -> float:
        """How far the cut edge lies outside the edge that the bearing rides on; negative where it cuts inside."""
        return 0.0 if self.bearing == "none" else (self.bearing_diameter_mm - self.diameter_mm) / 2

    @property
    def top_speed_rpm(self) -> int | None:
        """The highest spindle speed, 1/min, by common practice; None beyond the table.

        The cutter's own marking rules.
        """
        return next((speed for largest, speed in SPEEDS if self.diameter_mm <= largest + 1e-9), None)


class Rack(BaseModel):
    """The cutters of a shop; every name once. It may be empty, which the plan then says."""

    model_config = _FORM

    kind: Literal["digitize rack"] = "digitize rack"
    version: Literal[1] = 1
    cutters: tuple[Cutter, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _each_name_once(self) -> Self:
        names = [c.name.casefold() for c in self.cutters]
        twice = next((c.name for c in self.cutters if names.count(c.name.casefold()) > 1), None)
        if twice is not None:
            raise ValueError(f"two cutters are called {twice}")
        return self


def default_rack() -> Rack:
    """Pattern cutters that most catalogues hold, imperial and metric: common practice, from memory."""
    inch = [
        ("1/4 in, tip", 1 / 4, 1, 1 / 4, "tip"),
        ("3/8 in", 3 / 8, 1, 1 / 4, "shank"),
        ("1/2 in", 1 / 2, 1, 1 / 4, "shank"),
        ("1/2 in, two bearings", 1 / 2, 3 / 2, 1 / 2, "both"),
        ("3/4 in", 3 / 4, 1, 1 / 2, "shank"),
        ("3/4 in, two bearings", 3 / 4, 3 / 2, 1 / 2, "both"),
        ("1-1/8 in, two bearings", 9 / 8, 3 / 2, 1 / 2, "both"),
    ]
    metric = [
        ("6 mm, tip", 6, 20, 6, "tip"),
        ("10 mm", 10, 20, 6, "shank"),
        ("12 mm", 12, 25, 8, "shank"),
        ("16 mm", 16, 25, 8, "shank"),
        ("19 mm", 19, 25, 8, "shank"),
    ]
    rows = [(name, *(round(INCH_MM * v, 4) for v in sizes), place) for name, *sizes, place in inch] + metric
    fields = ("name", "diameter_mm", "cutting_length_mm", "shank_mm", "bearing")
    return Rack(cutters=tuple(Cutter.model_validate(dict(zip(fields, row, strict=True))) for row in rows))


def rack_toml(rack: Rack) -> str:
    """The rack as TOML, one table for each cutter; what is as by default is left out."""
    head = f"kind = {json.dumps(rack.kind)}\nversion = {rack.version}\n"
    if not rack.cutters:
        return head + "cutters = []\n"
    return head + "".join(f"\n[[cutters]]\n{_table(c)}" for c in rack.cutters)


def _table(cutter: Cutter) -> str:
    values = cutter.model_dump(exclude_defaults=True)
    return "".join(f"{key} = {_quoted(v) if isinstance(v, str) else repr(float(v))}\n" for key, v in values.items())


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's, but for the one control character that JSON leaves alone (TOML 1.0; from memory)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def rack_fault(content: dict[str, Any], error: ValidationError) -> str:
    """The first thing wrong in a rack's or a cutter's ``content``, in words: which cutter, which size, and why."""
    first = error.errors()[0]
    steps = [step for step in first["loc"] if step != "cutters"]
    place = next((step for step in steps if isinstance(step, int)), None)
    field = next((str(step) for step in steps if isinstance(step, str)), "")
    cutters = content.get("cutters")
    entry = cutters[place] if isinstance(cutters, list) and place is not None and place < len(cutters) else content
    name = entry.get("name") if isinstance(entry, dict) else None
    who = (
        f"cutter “{name}”: " if isinstance(name, str) and name else f"cutter {place + 1}: " if place is not None else ""
    )
    what = field.removesuffix("_mm").replace("_", " ")
    if first["type"] == "missing":
        return f"{who}its {what} is missing"
    if first["type"] == "value_error":
        return str(first["ctx"]["error"])
    given = first["input"]
    shown = f" is {given} and" if isinstance(given, int | float | str) else ""
    return f"{who}{what}{shown} {_LIMITS.get(first['type'], 'is not as it should be')}".format(**first.get("ctx", {}))


_LIMITS = {
    "greater_than": "must be above {gt:g}",
    "less_than_equal": "may be at most {le:g}",
    "literal_error": "must be one of {expected}",
    "extra_forbidden": "is not a size that is known",
    "float_type": "must be a number of millimetres, without quotes",
    "finite_number": "must be a finite number",
    "string_type": "must be a text in quotes",
    "string_too_short": "must not be empty",
}
