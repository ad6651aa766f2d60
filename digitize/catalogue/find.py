"""Patterns found again: by words, tags and size; by shape; by name."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from digitize.catalogue.folder import kept_files, pattern_path
from digitize.catalogue.index import Entry, ask, by_words, faults, signatures
from digitize.catalogue.names import folded
from digitize.compare.shape import Likeness, differences, hands_to_try, likeness, signature
from digitize.files import read_pattern
from digitize.model.errors import FileError, InputError
from digitize.model.outline import Outline
from digitize.vision.trace import Progress

MOST_LAID = 5  # candidates laid on the shape exactly; the rest differ by what their signatures say
NEAR_TIMES, NEAR_MM = 2.0, 0.3  # a candidate within this much of the nearest's difference may still be the nearest
SUGGESTED = 3


@dataclass(frozen=True)
class Asked:
    """What to look for; ``size`` is of the larger of width and height, from and to, mm."""

    words: str = ""
    tags: tuple[str, ...] = ()
    size: tuple[float, float] | None = None


@dataclass(frozen=True)
class Found:
    """A pattern found by its shape; by its signature alone where no largest is known."""

    entry: Entry
    difference_mm: float
    largest_mm: float | None
    mirrored: bool

    @property
    def exact(self) -> bool:
        return self.largest_mm is not None


def find(folder: Path, asked: Asked, progress: Progress) -> tuple[list[Entry], list[str]]:
    """Patterns that hold all that is asked, and what is wrong with files that cannot be read."""
    return ask(folder, lambda i: (by_words(i, asked.words, asked.tags, asked.size), faults(i)), progress)


def find_like(
    folder: Path, outline: Outline, asked: Asked, most: int, progress: Progress
) -> tuple[list[Found], list[str]]:
    """The ``most`` patterns nearest to a shape among those that hold all that is asked, nearest first."""
    (stems, numbers), entries, wrong = ask(
        folder, lambda i: (signatures(i), by_words(i, asked.words, asked.tags, asked.size), faults(i)), progress
    )
    if not entries:
        return [], wrong
    known = {e.stem: e for e in entries}
    rows = [k for k, stem in enumerate(stems) if stem in known]
    same, mirrored = differences(signature(outline), numbers[rows])
    nearest = np.minimum(same, mirrored)
    order = np.argsort(nearest, kind="stable")[: max(most, MOST_LAID)]
    limit = NEAR_TIMES * float(nearest[order[0]]) + NEAR_MM
    found = []
    for place, k in enumerate(order):
        entry, exact = known[stems[rows[k]]], None
        if place < MOST_LAID and nearest[k] <= limit:
            hands = hands_to_try(same[k], mirrored[k], bool(outline.holes) and entry.holes > 0)
            exact = _laid(folder, entry, outline, hands)
        if exact:
            found.append(Found(entry, exact.rms_mm, exact.largest_mm, exact.mirrored))
        else:
            found.append(Found(entry, float(nearest[k]), None, hands_to_try(same[k], mirrored[k], False) == (True,)))
    return sorted(found, key=lambda f: (not f.exact, f.difference_mm))[:most], wrong


def _laid(folder: Path, entry: Entry, outline: Outline, hands: tuple[bool, ...]) -> Likeness | None:
    """None where the file went away, or was damaged, since the index was asked."""
    try:
        other = read_pattern(pattern_path(folder, entry.stem))
    except FileError:
        return None
    return likeness(outline, other.outline, hands)


def named(folder: Path, name: str) -> Entry:
    """The one pattern of a name, of a file's name, or whose words begin so.

    Raises
    ------
    InputError where there is none, or more than one
    """
    stem = name.removesuffix(".json").removesuffix(".pattern")
    stems = [s for s in kept_files(folder) if folded(s) == folded(stem)]
    stems = [s for s in stems if s == stem] or stems
    entries = ask(folder, lambda i: by_words(i, "", (), None))
    if len(stems) == 1 and all(e.stem != stems[0] for e in entries):
        read_pattern(pattern_path(folder, stems[0]))  # tells what is wrong with it
    found = [e for e in entries if e.stem in stems] or [e for e in entries if folded(e.name) == folded(name)]
    found = found or ask(folder, lambda i: by_words(i, name, (), None))
    if len(found) == 1:
        return found[0]
    if found:
        some = ", ".join(f"“{e.stem}”" for e in found[:SUGGESTED])
        raise InputError(f"{len(found)} patterns could be meant by “{name}”", f"name one of them, like {some}")
    close = difflib.get_close_matches(name, [e.stem for e in entries], SUGGESTED)
    remedy = "did you mean " + " or ".join(f"“{c}”" for c in close) if close else "look for it with “digitize find”"
    raise InputError(f"There is no pattern “{name}” among the {len(entries)} in “{folder}”", remedy)
