"""The index over a folder of patterns: derived from its files, brought up to them before every question.

It may be deleted, damaged, or of another version: then it is made anew. Where it cannot be written, it is made in
memory. A file is read again when its size or its time of writing has changed.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from digitize.catalogue.folder import PATIENCE_S, Stamp, kept_files, locked, pattern_path
from digitize.catalogue.names import asked_words, folded, packed, unpacked
from digitize.compare.shape import LENGTH, signature
from digitize.files import read_pattern
from digitize.model.errors import FileError
from digitize.vision.trace import Progress

INDEX = ".index.sqlite"
VERSION = 1  # of the tables and of the signature in them: whatever else is found is made anew
BATCH = 200  # files between two commits, so that a rebuild that is stopped goes on where it was

TABLES = """
CREATE TABLE pattern (
    id INTEGER PRIMARY KEY, stem TEXT UNIQUE NOT NULL, size INTEGER NOT NULL, written INTEGER NOT NULL,
    name TEXT, created TEXT, thickness REAL, width REAL, height REAL, holes INTEGER, stock TEXT, tags TEXT, notes TEXT,
    fault TEXT);
CREATE TABLE shape (id INTEGER PRIMARY KEY, signature BLOB NOT NULL);
CREATE VIRTUAL TABLE words USING fts5 (
    name, stem, stock, tags, notes, tokenize = "unicode61 remove_diacritics 2", prefix = '1 2 3');
"""
COLUMNS = "stem, name, created, thickness, width, height, holes, stock, tags, notes"

_Answer = TypeVar("_Answer")


@dataclass(frozen=True)
class Entry:
    """What the index knows of a pattern; ``stem`` is its file's name without .pattern.json. Lengths in mm."""

    stem: str
    name: str
    created: datetime
    thickness: float | None
    width: float
    height: float
    holes: int
    stock: str
    tags: tuple[str, ...]
    notes: str


def ask(
    folder: Path,
    question: Callable[[sqlite3.Connection], _Answer],
    progress: Progress = lambda step, done: None,
) -> _Answer:
    """The answer to a question put to the folder's index as its files stand now.

    Raises
    ------
    FileError where there is no such folder
    """
    files = kept_files(folder)
    for anew in (False, True):
        with contextlib.suppress(sqlite3.Error, FileError, OSError):
            if anew:
                with locked(folder):
                    _removed(folder / INDEX)
            return _asked_on_disk(folder, files, question, progress)
    with contextlib.closing(sqlite3.connect(":memory:")) as memory:
        with contextlib.suppress(sqlite3.Error), contextlib.closing(_opened(folder / INDEX, "ro")) as disk:
            disk.backup(memory)
        if not _is_ours(memory):
            _emptied(memory)
        _refresh(memory, folder, files, progress)
        return question(memory)


def _asked_on_disk(
    folder: Path, files: dict[str, Stamp], question: Callable[[sqlite3.Connection], _Answer], progress: Progress
) -> _Answer:
    path = folder / INDEX
    if path.exists():
        with contextlib.closing(_opened(path, "rw")) as index:
            if _is_ours(index) and not any(_changes(index, files)):
                return question(index)
    with locked(folder), contextlib.closing(_opened(path, "rwc")) as index:
        if not _is_ours(index):
            _emptied(index)
        _refresh(index, folder, files, progress)
        return question(index)


def _opened(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=PATIENCE_S)


def _is_ours(index: sqlite3.Connection) -> bool:
    (version,) = index.execute("PRAGMA user_version").fetchone()
    return bool(version == VERSION)


def _emptied(index: sqlite3.Connection) -> None:
    """Of tables of another version; all or none, since the version is written last."""
    tables = [
        name for (name,) in index.execute("SELECT name FROM sqlite_master WHERE name IN ('words', 'pattern', 'shape')")
    ]
    drops = "".join(f"DROP TABLE {name};" for name in tables)
    index.executescript(f"BEGIN;{drops}{TABLES}PRAGMA user_version = {VERSION};COMMIT;")


def _removed(path: Path) -> None:
    for name in (path, path.with_name(f"{path.name}-journal")):
        name.unlink(missing_ok=True)


def _changes(index: sqlite3.Connection, files: dict[str, Stamp]) -> tuple[list[str], list[str]]:
    """Stems that are gone, and those that are new or were edited."""
    known = {stem: (size, at) for stem, size, at in index.execute("SELECT stem, size, written FROM pattern")}
    return [s for s in known if s not in files], [s for s, stamp in files.items() if known.get(s) != stamp]


def _refresh(index: sqlite3.Connection, folder: Path, files: dict[str, Stamp], progress: Progress) -> None:
    gone, changed = _changes(index, files)
    with index:
        for stem in gone:
            _forget(index, stem)
    waiting, done = iter(changed), 0
    while batch := list(islice(waiting, BATCH)):
        with index:
            for stem in batch:
                _forget(index, stem)
                _enter(index, stem, files[stem], pattern_path(folder, stem))
                done += 1
                progress("reading the patterns", done / len(changed))


def _forget(index: sqlite3.Connection, stem: str) -> None:
    for table in ("words", "shape"):
        index.execute(f"DELETE FROM {table} WHERE rowid IN (SELECT id FROM pattern WHERE stem = ?)", (stem,))
    index.execute("DELETE FROM pattern WHERE stem = ?", (stem,))


def _enter(index: sqlite3.Connection, stem: str, stamp: Stamp, path: Path) -> None:
    key = (stem, *stamp)
    try:
        p = read_pattern(path)
    except FileError as error:  # remembered too, so that it is not read at every question
        index.execute("INSERT INTO pattern (stem, size, written, fault) VALUES (?, ?, ?, ?)", (*key, error.problem))
        return
    shape = signature(p.outline).astype("<f4").tobytes()
    facts = (p.name, p.created.isoformat(), p.thickness_mm, *p.size, len(p.outline.holes), p.stock, packed(p.tags))
    row = (*key, *facts, p.notes)
    number = index.execute(f"INSERT INTO pattern VALUES (NULL, {', '.join('?' * len(row))}, NULL)", row).lastrowid
    index.execute("INSERT INTO shape VALUES (?, ?)", (number, shape))
    words = (p.name, stem, p.stock, " ".join(p.tags), p.notes)
    index.execute(
        "INSERT INTO words (rowid, name, stem, stock, tags, notes) VALUES (?, ?, ?, ?, ?, ?)", (number, *words)
    )


def by_words(
    index: sqlite3.Connection, words: str, tags: Iterable[str], size: tuple[float, float] | None
) -> list[Entry]:
    """Patterns that hold all the words, best first, or by name where none is asked; with all the tags.

    size : of the larger of width and height, from and to, mm
    """
    asked = asked_words(words)
    if words.strip() and not asked:
        return []
    least, most = size or (0.0, 1e9)
    limits = "fault IS NULL AND max(width, height) BETWEEN ? AND ?"
    if asked:
        found = f"FROM words JOIN pattern ON pattern.id = words.rowid WHERE words MATCH ? AND {limits} ORDER BY rank"
        columns = ", ".join(f"pattern.{c}" for c in COLUMNS.split(", "))
        rows = index.execute(f"SELECT {columns} {found}, pattern.stem", (asked, least, most))
    else:
        rows = index.execute(f"SELECT {COLUMNS} FROM pattern WHERE {limits} ORDER BY name, stem", (least, most))
    wanted = {folded(tag) for tag in tags}
    entries = (_entry(row) for row in rows)
    return [e for e in entries if wanted <= {folded(tag) for tag in e.tags}]


def signatures(index: sqlite3.Connection) -> tuple[list[str], npt.NDArray[np.float64]]:
    """All stems, and their signatures (N, LENGTH)."""
    rows = index.execute("SELECT stem, signature FROM shape JOIN pattern USING (id) ORDER BY stem").fetchall()
    numbers = np.frombuffer(b"".join(blob for _, blob in rows), "<f4").astype(float)
    return [stem for stem, _ in rows], numbers.reshape(len(rows), LENGTH)


def faults(index: sqlite3.Connection) -> list[str]:
    """What is wrong with pattern files that cannot be read."""
    return [fault for (fault,) in index.execute("SELECT fault FROM pattern WHERE fault IS NOT NULL ORDER BY stem")]


def _entry(row: tuple[Any, ...]) -> Entry:
    stem, name, created, thickness, width, height, holes, stock, tags, notes = row
    when = datetime.fromisoformat(created)
    return Entry(stem, name, when, thickness, width, height, holes, stock, unpacked(tags), notes)
