"""DXF -> outlines: the cut edges of a flat drawing, in millimetres, whatever program it comes from.

Of a drawing with a layer "cut edge" only this layer and "holes" are read; of any other, all curves of the model space
that are shown, but for what lies on layers of marks. Words, dimensions, hatches and construction lines are no edges.
"""

from __future__ import annotations

import io
import logging
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from ezdxf.document import Drawing as Document
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.filemanagement import dxf_stream_info, read
from ezdxf.lldxf.const import DXFError
from ezdxf.lldxf.encoding import decode_dxf_unicode

from digitize.formats.drawing import CUT_EDGE, GRAIN, HOLES, MARKS, ROUGH_CUT, Facts
from digitize.formats.dxf_curves import KINDS, REDRAWN_MM, drawn
from digitize.formats.loops import Chain, outlines_from
from digitize.model.errors import Caveat, InputError
from digitize.model.outline import Outline
from digitize.model.pattern import THICKEST_MM
from digitize.model.units import LARGEST_MM, parse_unit

APPLICATION = "DIGITIZE"  # under this name our labels carry a part's facts as extended data
UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "ft": 304.8}
INSUNITS = {1: "inch", 2: "ft", 4: "mm", 5: "cm", 6: "m"}  # $INSUNITS; DXF Reference, HEADER section, from memory
NOT_EDGES = frozenset((MARKS, GRAIN, ROUGH_CUT, "construction", "defpoints"))
NO_EDGES = frozenset(
    (
        *("TEXT", "MTEXT", "ATTDEF", "ATTRIB", "DIMENSION", "ARC_DIMENSION", "LEADER", "MULTILEADER", "TOLERANCE"),
        *("HATCH", "POINT", "XLINE", "RAY", "SOLID", "TRACE", "VIEWPORT", "IMAGE", "WIPEOUT", "INSERT"),
    )
)
MOST_BYTES = 16_000_000  # 15 s of reading at worst
MOST_ENTITIES = 50_000
DEEPEST_BLOCK = 8
REMEDY = "save it as a plain (ASCII) DXF again"

UNSOUND = (DXFError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, RecursionError)

logging.getLogger("ezdxf").addHandler(logging.NullHandler())  # its remarks are not for the terminal


@dataclass(frozen=True)
class DrawnParts:
    """What a DXF holds.

    outlines : mm, the largest first, at least one
    unit : the unit it was drawn in
    facts : of the only part in a DXF of ours, else None
    """

    outlines: tuple[Outline, ...]
    unit: str
    facts: Facts | None
    caveats: tuple[Caveat, ...]


def read_dxf(data: bytes, unit: str | None = None) -> DrawnParts:
    """The outlines in a DXF.

    unit : "mm" or "inch"; None takes it from the drawing

    Raises
    ------
    InputError if ``unit`` is no unit, if the DXF is not sound or says no unit while ``unit`` is None, or if it holds no
    loops, open ones or crossing ones
    """
    unit = None if unit is None else parse_unit(unit)
    document = _document(data)
    said = INSUNITS.get(document.header.get("$INSUNITS", 0))
    used = unit or said
    if used is None:
        raise InputError("the drawing does not say its unit", "give --unit mm or --unit inch")
    scale = UNIT_MM[used]
    try:
        entities, caveats = _edges(document)
        with np.errstate(all="ignore"):  # what is no number is told afterwards
            chains, redrawn = _chains(entities, scale)
            _check(chains, used)
        found = outlines_from(chains)
    except UNSOUND as error:
        raise InputError(f"the drawing is damaged ({_reason(error)})", REMEDY) from error
    odd = unit is not None and said not in (None, unit)
    other = Caveat(f"the drawing says its unit is {said}, and it was read in {unit}", "check a known size")
    facts = _facts(document) if len(found.outlines) == 1 else None
    return DrawnParts(found.outlines, used, facts, (*([other] if odd else []), *caveats, *redrawn, *found.caveats))


def _document(data: bytes) -> Document:
    if len(data) > MOST_BYTES:
        raise InputError(
            f"the drawing has {len(data) / 1e6:.0f} MB and at most {MOST_BYTES / 1e6:.0f} MB are read",
            "leave only the part in it",
        )
    if b"\0" in data:
        raise InputError("the drawing is a binary file, not a plain (ASCII) DXF", REMEDY)
    if b"SECTION" not in data[:100_000]:
        raise InputError("the file is no DXF drawing", "name a DXF")
    try:
        info = dxf_stream_info(io.StringIO(data.decode("utf-8", "ignore")))
        return read(io.TextIOWrapper(io.BytesIO(data), encoding=info.encoding, errors="surrogateescape"))
    except Exception as error:  # the reader raises whatever it likes on damaged data
        raise InputError(f"the drawing is damaged ({_reason(error)})", REMEDY) from error


def _reason(error: Exception) -> str:
    words = " ".join(str(error).split())
    return "".join(c if c.isprintable() else "?" for c in words)[:80] or type(error).__name__


def _edges(document: Document) -> tuple[list[DXFGraphic], tuple[Caveat, ...]]:
    """The entities that may be cut edges, and what else was drawn."""
    all_there = list(islice(_taken_apart(document.modelspace(), "0", 0), MOST_ENTITIES + 1))
    if len(all_there) > MOST_ENTITIES:
        raise _too_many()
    entities = [(e, layer) for e, layer in all_there if _shown(document, e, layer)]
    ours = any(layer == CUT_EDGE for _, layer in entities)
    edges = [e for e, on in entities if (on in (CUT_EDGE, HOLES) if ours else on not in NOT_EDGES)]
    strange = ", ".join(sorted({e.dxftype() for e in edges} - NO_EDGES - set(KINDS)))
    read = [e for e in edges if e.dxftype() in KINDS]
    if strange and not read:
        raise InputError(
            f"the drawing holds no edges that are read, only {strange}", "draw its outline in lines and arcs"
        )
    unread = Caveat(f"the drawing has entities that are not read ({strange})", "look whether an edge is missing")
    return read, (unread,) if strange else ()


def _too_many() -> InputError:
    return InputError(f"the drawing has more than {MOST_ENTITIES} entities", "leave only the part in it")


def _taken_apart(entities: Iterable[DXFGraphic], layer: str, depth: int) -> Iterator[tuple[DXFGraphic, str]]:
    """Entities and their layers, blocks resolved; what a block holds on layer 0 lies on the layer of its insertion.

    Insertions come too, so that whoever counts stops at a nest of empty ones.
    """
    if depth > DEEPEST_BLOCK:
        raise InputError(f"the drawing nests blocks more than {DEEPEST_BLOCK} deep", "explode them")
    for entity in entities:
        own = _layer(entity)
        on = layer if depth and own == "0" else own
        yield entity, on
        if entity.dxftype() == "INSERT":
            if entity.mcount > MOST_ENTITIES:
                raise _too_many()
            several = entity.mcount > 1
            inner = entity.multi_insert() if several else entity.virtual_entities()
            yield from _taken_apart(inner, on, depth if several else depth + 1)


def _layer(entity: DXFGraphic) -> str:
    """As ours are called, and as R12 spells them, which has neither spaces nor small letters."""
    return str(entity.dxf.get("layer", "0")).lower().replace("_", " ")


def _shown(document: Document, entity: DXFGraphic, layer: str) -> bool:
    if entity.dxf.get("invisible", 0):
        return False
    names = [name for name in (layer, layer.replace(" ", "_")) if document.layers.has_entry(name)]
    return not any(document.layers.get(name).is_off() or document.layers.get(name).is_frozen() for name in names)


def _chains(entities: Iterable[DXFGraphic], scale: float) -> tuple[list[Chain], tuple[Caveat, ...]]:
    all_drawn = [drawn(e, scale) for e in entities]
    redrawn = sum(not d.exact for d in all_drawn)
    curves = "1 curve of the drawing is" if redrawn == 1 else f"{redrawn} curves of the drawing are"
    caveat = Caveat(
        f"{curves} an ellipse or another kind that has no exact cubic spline, replaced within {REDRAWN_MM:g} mm",
        "nothing needs to be done",
    )
    return [chain for d in all_drawn for chain in d.chains], (caveat,) if redrawn else ()


def _check(chains: list[Chain], unit: str) -> None:
    if not chains:
        raise InputError("the drawing holds no edges, only words or nothing at all", "name one with closed outlines")
    points = np.vstack([s.point(np.linspace(0, 1, 5)) for chain in chains for s in chain])
    if not np.isfinite(points).all():
        raise InputError("the drawing is damaged (a coordinate is no number)", REMEDY)
    size = float(np.ptp(points, axis=0).max())
    if size > LARGEST_MM:
        raise InputError(
            f"the drawing, read in {unit}, is {size / 1000:.3g} m wide and at most {LARGEST_MM / 1000:g} m can be",
            "give its true unit, like --unit mm",
        )


def _facts(document: Document) -> Facts | None:
    """What our label says of the part, unless there are several."""
    labels = [e for e in document.modelspace().query("TEXT") if e.has_xdata(APPLICATION)]
    if len(labels) != 1:
        return None
    values = [tag.value for tag in labels[0].get_xdata(APPLICATION)]
    told = dict(zip(values[::2], values[1::2], strict=False))
    name, thickness, grain = (told.get(key) for key in ("name", "thickness_mm", "grain_deg"))
    turned = labels[0].dxf.get("rotation", 0.0)  # a label that was turned with its part still tells the grain
    return Facts(
        decode_dxf_unicode(name) if isinstance(name, str) else "",
        thickness if isinstance(thickness, float) and 0 < thickness <= THICKEST_MM else None,
        (grain + turned) % 180.0 if isinstance(grain, float) and math.isfinite(grain + turned) else None,
    )
