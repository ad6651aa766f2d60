"""What a kept pattern's history is, and what the catalogue tells: values for machines, lines for people."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from digitize.catalogue.find import Found
from digitize.catalogue.folder import Belongings, belongings, file_bytes, pattern_path
from digitize.catalogue.index import Entry
from digitize.files import read_pattern
from digitize.model.errors import FileError
from digitize.model.pattern import Pattern, Step

NUMBERS = 3  # of a step's values told at a terminal


@dataclass(frozen=True)
class Record:
    """Everything about one kept pattern.

    earlier : versions before it, oldest first; None for one that cannot be read any more
    comparisons : what ``digitize compare --json`` told, oldest first
    """

    stem: str
    path: Path
    pattern: Pattern
    belongs: Belongings
    earlier: tuple[Pattern | None, ...]
    comparisons: tuple[dict[str, Any], ...]


def record(folder: Path, stem: str) -> Record:
    """Raises FileError if the pattern cannot be read."""
    path = pattern_path(folder, stem)
    belongs = belongings(folder, stem)
    earlier = tuple(_version(p) for p in belongs.earlier)
    comparisons = tuple(comparison(p) for p in belongs.comparisons)
    return Record(stem, path, read_pattern(path), belongs, earlier, comparisons)


def _version(path: Path) -> Pattern | None:
    try:
        return read_pattern(path)
    except FileError:
        return None


def comparison(path: Path) -> dict[str, Any]:
    """What ``digitize compare --json`` told of one part; raises FileError if it is not that."""
    try:
        content: Any = json.loads(file_bytes(path))
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict) or not all(isinstance(content.get(k), str) for k in ("part", "master")):
        raise FileError(
            f"“{path}” is not a comparison of one part", "make it with “digitize compare PART MASTER --json”"
        )
    return content


def entry_values(entry: Entry, folder: Path) -> dict[str, Any]:
    return {
        "name": entry.name,
        "file": str(pattern_path(folder, entry.stem)),
        "size_mm": [round(entry.width, 4), round(entry.height, 4)],
        "thickness_mm": entry.thickness,
        "stock": entry.stock,
        "tags": list(entry.tags),
        "notes": entry.notes,
        "created": entry.created.isoformat(),
    }


def found_values(found: Found, folder: Path) -> dict[str, Any]:
    largest = None if found.largest_mm is None else round(found.largest_mm, 4)
    return {
        **entry_values(found.entry, folder),
        "difference_mm": round(found.difference_mm, 4),
        "largest_mm": largest,
        "mirrored": found.mirrored,
    }


def entry_words(entry: Entry) -> str:
    """One line: name, size, and what else is known."""
    thick = "" if entry.thickness is None else f" x {entry.thickness:g}"
    size = f"{entry.width:.1f} x {entry.height:.1f}{thick} mm"
    called = entry.name if entry.name == entry.stem else f"{entry.name} ({entry.stem})"
    return "  ".join(" ".join(w.split()) for w in (called, size, entry.stock, ", ".join(entry.tags)) if w)


def found_words(found: Found) -> str:
    apart = (
        f"{found.difference_mm:.2f} mm RMS apart, {found.largest_mm:.2f} at most"
        if found.largest_mm is not None
        else f"about {found.difference_mm:.1f} mm apart"
    )
    return f"{entry_words(found.entry)}  {apart}" + (", as the mirror image" if found.mirrored else "")


def record_values(it: Record) -> dict[str, Any]:
    """Everything as JSON holds it; the outline stays in the pattern's file."""
    p, belongs = it.pattern, it.belongs
    return {
        "name": p.name,
        "file": str(it.path),
        "size_mm": [round(side, 4) for side in p.size],
        "uncertainty_mm": None if p.uncertainty is None else round(p.uncertainty, 4),
        "thickness_mm": p.thickness_mm,
        "grain_deg": p.grain_deg,
        "stock": p.stock,
        "tags": list(p.tags),
        "notes": p.notes,
        "created": p.created.isoformat(),
        "pieces": len(p.outline.segments),
        "holes": len(p.outline.holes),
        "measured": p.measured.model_dump(mode="json") if p.measured else None,
        "steps": [_step_values(step) for step in p.steps],
        "earlier": [_earlier_values(v, path) for v, path in zip(it.earlier, belongs.earlier, strict=True)],
        "comparisons": [
            {"file": str(path), **{k: c.get(k) for k in ("part", "master", "verdict", "rms_mm", "extremes_mm")}}
            for c, path in zip(it.comparisons, belongs.comparisons, strict=True)
        ],
        "warnings": [str(c) for c in p.caveats],
        "preview": str(belongs.preview) if belongs.preview else None,
        "photos": [str(photo) for photo in belongs.photos],
    }


def _step_values(step: Step) -> dict[str, Any]:
    return {"what": step.what, **step.values}


def _earlier_values(version: Pattern | None, path: Path) -> dict[str, Any]:
    created, size = (version.created.isoformat(), list(version.size)) if version else (None, None)
    return {"file": str(path), "created": created, "size_mm": size}


def record_words(it: Record) -> str:
    """Everything, line by line."""
    return "\n".join(f"{label:<13}{text}" for label, text in record_rows(it))


def record_rows(it: Record) -> list[tuple[str, str]]:
    """Everything as lines, each with its label."""
    p, belongs = it.pattern, it.belongs
    width, height = p.size
    sure = "" if p.uncertainty is None else f" ± {p.uncertainty:.2f} mm (k = 2)"
    rows = [
        ("Pattern", p.name),
        ("Size", f"{width:.2f} x {height:.2f} mm{sure}"),
        ("Thickness", "not known" if p.thickness_mm is None else f"{p.thickness_mm:g} mm"),
        ("Outline", f"{_count(len(p.outline.segments), 'piece')}, {_count(len(p.outline.holes), 'hole')}"),
        ("Grain", "" if p.grain_deg is None else f"along {p.grain_deg:g}° (from the x axis)"),
        ("Stock", p.stock),
        ("Tags", ", ".join(p.tags)),
        *(("Notes" if i == 0 else "", line) for i, line in enumerate(p.notes.splitlines())),
        ("Made", f"{p.created:%Y-%m-%d %H:%M}" + (f" from {p.measured.photo}" if p.measured else "")),
        *(("Step", _step_words(step)) for step in p.steps),
        *(("Earlier", _earlier_words(v, path)) for v, path in zip(it.earlier, belongs.earlier, strict=True)),
        *(("Compared", _comparison_words(c)) for c in it.comparisons),
        *(("Warning", str(c)) for c in p.caveats),
        *(("File", str(path)) for path in _files(it)),
    ]
    return [(label, text) for label, text in rows if text]


def _files(it: Record) -> Sequence[Path]:
    b = it.belongs
    return [it.path, *([b.preview] if b.preview else []), *b.photos, *b.comparisons, *b.earlier]


def _step_words(step: Step) -> str:
    values = [f"{k} {v:g}" if isinstance(v, float) else f"{k} {v}" for k, v in step.values.items()]
    more = ", ..." if len(values) > NUMBERS else ""
    return step.what + (f" ({', '.join(values[:NUMBERS])}{more})" if values else "")


def _earlier_words(version: Pattern | None, path: Path) -> str:
    if version is None:
        return f"{path.name}, which cannot be read any more"
    width, height = version.size
    return f"{width:.2f} x {height:.2f} mm, made {version.created:%Y-%m-%d %H:%M}"


def _comparison_words(told: dict[str, Any]) -> str:
    rms, verdict = told.get("rms_mm"), told.get("verdict")
    words = [f"part {told['part']} with master {told['master']}"]
    words += [f"RMS {rms:.3f} mm"] if isinstance(rms, float | int) else []
    return ", ".join([*words, *([str(verdict)] if verdict else [])])


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number or 'no'} {what}s"
