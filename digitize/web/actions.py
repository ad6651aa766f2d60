"""What the page asks to be done with a work, done by the same calls as the command line makes."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from PIL import Image

from digitize.catalogue.find import Asked, find, find_like
from digitize.catalogue.folder import belongings, file_bytes, keep, kept_files, pattern_path
from digitize.catalogue.names import safe_stem, tags_of
from digitize.catalogue.told import record, record_rows
from digitize.commands.compare import LEAST_MM, WIDEST_MM
from digitize.commands.export import written_as
from digitize.commands.options import fair_mm, setup_from
from digitize.commands.plan import DEEPEST_MM, WIDEST_BLADE_MM, one_page
from digitize.commands.shelf import size_range
from digitize.commands.trace import PHOTO_SUFFIXES
from digitize.compare.compare import Comparison, Fit, How
from digitize.compare.report import deviations_csv
from digitize.compare.report import values as comparison_json
from digitize.draft import opened, traced
from digitize.files import PATTERN_SUFFIX, lens_files, photo_from, read_pattern, read_rack
from digitize.formats import pattern_bytes
from digitize.formats.compare_page import comparison_png, report_pdf
from digitize.formats.paper import parse_paper
from digitize.formats.picture import pattern_png
from digitize.formats.plan_page import plan_pdf, plan_png
from digitize.model.errors import FileError, InputError
from digitize.model.pattern import THICKEST_MM
from digitize.model.segment import as_point
from digitize.model.units import parse_length
from digitize.pipeline import Frame, compare_parts, trace
from digitize.shop.cutter import Cutter
from digitize.shop.plan import Plan, plan
from digitize.shop.told import speed_words
from digitize.vision.photo import Photo
from digitize.vision.trace import Progress, Setup
from digitize.web import scenes
from digitize.web.desk import Desk, Seen, Shot, Work, off_stage, on_stage
from digitize.web.forms import CompareAsked, Keep, Pages, PlanAsked, Trace
from digitize.web.guard import Refused
from digitize.web.tiles import tiles_of

MOST_LISTED, MOST_ALIKE = 60, 8
PICTURE_PX = 1600
KINDS = {
    "json": "application/json",
    "dxf": "image/vnd.dxf",
    "svg": "image/svg+xml",
    "pdf": "application/pdf",
    "png": "image/png",
    "csv": "text/csv; charset=utf-8",
}


@dataclass(frozen=True)
class Sent:
    """A file for the browser; ``name`` is what it is saved as, empty for a picture that is only shown."""

    data: bytes
    kind: str
    name: str = ""


def photo_name(text: str) -> str:
    """A photo's name for people: of what was sent, the part after the last slash, without anything unprintable."""
    last = re.split(r"[/\\]", text)[-1]
    return "".join(c for c in last if c.isprintable())[:120].strip() or "photo.jpg"


def photo_work(photo: Photo, data: bytes, name: str) -> Work:
    """A photo on the desk, not traced yet."""
    return Work(name=Path(name).stem or "part", shot=Shot(name, data, photo.size, tiles_of(photo)))


def opened_work(folder: Path, stem: str) -> Work:
    """A kept pattern on the desk."""
    pattern = read_pattern(pattern_path(folder, _known(folder, stem)))
    work = Work(name=pattern.name, stem=stem)
    work.begin(opened(pattern))
    work.kept = work.draft
    return work


def _known(folder: Path, stem: str) -> str:
    """The stem, if it is one of the folder's: no path is ever made of anything else."""
    if stem not in _stems(folder):
        raise Refused(404, "There is no such pattern among the shop's", "look for it in the list again")
    return stem


def _stems(folder: Path) -> Mapping[str, Any]:
    try:
        return kept_files(folder)
    except FileError:  # nothing was ever kept
        return {}


def setup_of(asked: Trace, work: Work) -> Setup:
    """What is known of a photo beforehand, as typed."""
    if work.shot is None:
        raise Refused(409, "There is no photo to trace", "choose a photo first")
    if not asked.thickness.strip():
        raise InputError("The thickness of the part is missing", "measure it with calipers and type it, like 6 mm")
    lenses = lens_files(Path())
    if asked.lens and asked.lens not in lenses:
        raise InputError(f"There is no lens profile “{asked.lens}” here any more", "choose another, or none")
    words = (asked.edge_height or None, asked.sheet, asked.check_lines or None, lenses.get(asked.lens))
    setup = setup_from(asked.thickness, *words, "largest", asked.eased or None)
    if asked.at is None:
        return setup
    return replace(setup, part=as_point(off_stage(np.array([asked.at]))[0]))


def trace_work(work: Work, setup: Setup, asked: Trace, progress: Progress) -> None:
    """Traces a work's photo; the work changes only once all is done."""
    now = datetime.now(UTC)
    tracing = trace(
        [work.photo()], setup, fair_mm(asked.fair or None), Frame.PART, frozenset(), work.name, now, progress
    )
    draft, sight = traced(tracing)
    view, figure = tracing.traced.view, tracing.figure
    sheets = tuple(
        (s.sheet.name, on_stage(view.image_from_bench(view.sheet_outline(k)[0])), on_stage(s.pixels))
        for k, s in enumerate(view.sightings)
    )
    grain = None if figure is None else math.degrees(figure.direction)
    progress("showing", 0.99)
    with work.lock:
        work.sight, work.seen = sight, Seen(sheets, tracing.traced.budget.advice, grain)
        work.begin(draft)


def planned(work: Work, asked: PlanAsked) -> Plan:
    """The routing plan, as ``digitize plan`` makes it."""
    part, rack = work.pattern, read_rack().cutters
    cutters = rack if asked.cutters is None else tuple(c for c in rack if c.name in asked.cutters)
    return plan(
        part.outline,
        grain_deg=part.grain_deg,
        cutters=cutters,
        stock_mm=_length(asked.stock, "stock's thickness", 0.1, THICKEST_MM),
        pattern_mm=part.thickness_mm,
        machine=asked.machine,
        pattern_on=asked.pattern_on or None,
        flipped=asked.flipped,
        allowance_mm=parse_length(asked.allowance, "allowance"),
        blade_mm=_length(asked.blade, "width of the blade", 0.1, WIDEST_BLADE_MM),
        plunge_mm=_length(asked.plunge, "reach of the router", 1.0, DEEPEST_MM),
        uncertainty_mm=part.edge_uncertainty,
    )


def _length(text: str, what: str, least: float, most: float) -> float | None:
    return parse_length(text, what, least, most) if text.strip() else None


def cutter_words(cutter: Cutter) -> str:
    return f"{cutter.diameter_mm:g} mm, bearing {cutter.bearing}, {speed_words(cutter)}"


def compared(folder: Path, work: Work, asked: CompareAsked) -> Comparison:
    """The part on the desk against a kept master."""
    master = read_pattern(pattern_path(folder, _known(folder, asked.master)))
    zone = _length(asked.zone, "zone", LEAST_MM, WIDEST_MM)
    how = How(zone=zone, fit=Fit(asked.fit), mirrored=asked.mirrored, same_sheets=asked.same_sheets)
    return compare_parts([work.pattern], master, how)[0]


def kept(folder: Path, work: Work, asked: Keep) -> dict[str, str]:
    """Keeps the pattern with its words, photo and last comparison; answers once all of it is on disk."""
    name = " ".join(asked.name.split())
    if not name:
        raise InputError("A pattern needs a name", "type one that will be looked for")
    words = {"name": name, "notes": asked.notes.strip(), "stock": asked.stock.strip(), "tags": tags_of(asked.tags)}
    attached = {f"photo{_ending(work.shot.name)}": work.shot.data} if work.shot else {}
    if work.comparison:
        attached["comparison.json"] = json.dumps(comparison_json(work.comparison)).encode()
    target, pattern = keep(folder, work.pattern.model_copy(update=words), pattern_png, attached, asked.replace)
    work.kept = work.drafts[work.at] = replace(work.draft, pattern=pattern)
    work.stem, work.name = target.name.removesuffix(PATTERN_SUFFIX), pattern.name
    return {"stem": work.stem, "name": pattern.name, "file": str(target)}


def _ending(name: str) -> str:
    ending = Path(name).suffix.lower()
    return ending if ending in PHOTO_SUFFIXES else ".jpg"


def pages(work: Work, asked: Pages) -> dict[str, Any]:
    return scenes.pages_values(work, parse_paper(asked.paper))


def download(work: Work, what: str, asked: Mapping[str, str]) -> Sent:
    """A file of the work, by its address's last part; raises Refused where there is none such."""
    kind, _, ending = what.partition(".")
    paper = asked.get("paper", "A4")
    name = f"{safe_stem(work.pattern.name)}{'' if kind == 'pattern' else f'-{kind}'}.{ending}"
    if kind == "pattern" and ending == "json":
        data, name = work.pattern.model_dump_json(indent=1).encode(), f"{safe_stem(work.pattern.name)}{PATTERN_SUFFIX}"
    elif kind == "pattern" and ending in ("dxf", "svg", "pdf", "png"):
        arcs = "" if asked.get("arcs") == "yes" else None  # within what is usual
        form = written_as(asked.get("unit", "mm"), None, paper, arcs)
        data = pattern_bytes(work.pattern, f".{ending}", form)
    elif kind == "plan" and ending in ("pdf", "png") and work.plan:
        data = (plan_pdf if ending == "pdf" else plan_png)(work.plan, work.pattern.name, one_page(paper))
    elif kind == "comparison" and ending == "pdf" and work.comparison:
        data = report_pdf(work.comparison, datetime.now(UTC))
    elif kind == "comparison" and ending == "png" and work.comparison:
        data = comparison_png(work.comparison)
    elif kind == "comparison" and ending == "csv" and work.comparison:
        data = deviations_csv(work.comparison).encode()
    else:
        raise Refused(404, f"There is no {kind} to send", "make it first")
    return Sent(data, KINDS[ending], name)


def disposition(name: str) -> str:
    """A header that has a file saved under its name (RFC 6266, 4.3; from memory)."""
    plain = re.sub(r"[^A-Za-z0-9._ -]", "-", name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"


def listed(folder: Path, desk: Desk, asked: Mapping[str, str]) -> dict[str, Any]:
    """Kept patterns by words, tags, size and shape."""
    if not _stems(folder):
        return {"patterns": [], "more": 0, "warnings": []}
    size = asked.get("size", "").strip()
    wanted = Asked(asked.get("words", ""), tags_of(asked.get("tags", "")), size_range(size) if size else None)
    if like := asked.get("like"):
        found, wrong = find_like(folder, desk.get(like).pattern.outline, wanted, MOST_ALIKE, _silent)
        return {"patterns": [scenes.kept_values(f.entry, f) for f in found], "more": 0, "warnings": wrong}
    entries, wrong = find(folder, wanted, _silent)
    shown = [scenes.kept_values(e) for e in entries[:MOST_LISTED]]
    return {"patterns": shown, "more": len(entries) - len(shown), "warnings": wrong}


def _silent(step: str, done: float) -> None:
    pass


def recorded(folder: Path, stem: str) -> dict[str, Any]:
    """Everything about one kept pattern."""
    it = record(folder, _known(folder, stem))
    told, base = record_rows(it), scenes.kept_address(stem)
    return {
        "stem": stem,
        "name": it.pattern.name,
        "rows": [[label, text] for label, text in told if label not in ("Earlier", "Compared", "File")],
        "photos": [f"{base}/photo-{k}.jpg" for k in range(len(it.belongs.photos))],
        "preview": f"{base}/preview.png",
        "comparisons": [text for label, text in told if label == "Compared"],
        "earlier": [text for label, text in told if label == "Earlier"],
    }


def kept_picture(folder: Path, stem: str, what: str) -> Sent:
    """A kept pattern's preview, or one of its photos made small."""
    belongs = belongings(folder, _known(folder, stem))
    if what == "preview.png":
        shown = (
            file_bytes(belongs.preview) if belongs.preview else pattern_png(read_pattern(pattern_path(folder, stem)))
        )
        return Sent(shown, KINDS["png"])
    match = re.fullmatch(r"photo-([0-9]{1,4})\.jpg", what)
    if match is None or int(match[1]) >= len(belongs.photos):
        raise Refused(404, "There is no such picture", "open the pattern again")
    photo = photo_from(io.BytesIO(file_bytes(belongs.photos[int(match[1])])), stem)
    picture = Image.fromarray(photo.pixels)
    picture.thumbnail((PICTURE_PX, PICTURE_PX))
    stream = io.BytesIO()
    picture.save(stream, "JPEG")
    return Sent(stream.getvalue(), "image/jpeg")
