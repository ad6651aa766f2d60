"""The folder that patterns are kept in: plain files, one pattern each, and beside each a folder of what goes with it.

    patterns/foot.pattern.json            the pattern as it is now
    patterns/foot.kept/preview-1f0c.png   what it looks like; the ending tells which version of the file
    patterns/foot.kept/photo-1f0c.jpg     what it was traced from
    patterns/foot.kept/earlier-1.pattern.json, comparison-77ab.json

Everything that goes with a version is on disk before its pattern file appears under its name, by one renaming: that
is the moment at which it is kept. What a crash leaves behind before is never looked at. Who changes the folder holds
its lock, which SQLite lets go of when a process ends, however it ends.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from digitize.catalogue.names import folded, free_stem, safe_stem
from digitize.files import PATTERN_SUFFIX, write_files
from digitize.model.errors import FileError
from digitize.model.pattern import Pattern

BESIDE = ".kept"
LOCK = ".lock.sqlite"
PATIENCE_S = 60.0  # that another process may take to finish
COMING = f"coming{PATTERN_SUFFIX}"
DIGEST = 12  # hexadecimal digits: enough for the versions of one pattern


Stamp = tuple[int, int]
"""By which an edited file is known: its size in bytes, and when it was written, ns."""


@dataclass(frozen=True)
class Belongings:
    """Files that go with a pattern, oldest first; ``preview`` is None where the pattern was put there by hand."""

    preview: Path | None
    photos: tuple[Path, ...]
    comparisons: tuple[Path, ...]
    earlier: tuple[Path, ...]


def kept_files(folder: Path) -> dict[str, Stamp]:
    """Stems of the patterns in a folder, with their stamps; raises FileError where there is no such folder."""
    found = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith(PATTERN_SUFFIX) and not entry.name.startswith(".") and _is_text(entry.name):
                    with contextlib.suppress(FileNotFoundError):  # taken away a moment ago
                        stat = entry.stat()
                        found[entry.name[: -len(PATTERN_SUFFIX)]] = (stat.st_size, stat.st_mtime_ns)
    except OSError as error:
        raise FileError(
            f"The folder of patterns “{folder}” cannot be read ({error.strerror})",
            "name the shop's folder with --folder, or keep a first pattern",
        ) from error
    return found


def _is_text(name: str) -> bool:
    """Whether a file's name is of letters at all: a Latin-1 name on a UTF-8 system is not, and no index can hold it."""
    return not any("\ud800" <= c <= "\udfff" for c in name)


def pattern_path(folder: Path, stem: str) -> Path:
    return folder / f"{stem}{PATTERN_SUFFIX}"


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """While one process is inside, another waits; raises FileError where the folder cannot be written to."""
    if not os.access(folder, os.W_OK):
        raise _closed(folder)
    try:
        lock = sqlite3.connect(folder / LOCK, timeout=PATIENCE_S, isolation_level=None)
    except sqlite3.Error as error:
        raise _closed(folder, str(error)) from error
    with contextlib.closing(lock):
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            raise _closed(folder, str(error)) from error
        yield


def _closed(folder: Path, told: str = "") -> FileError:
    if "locked" in told:
        return FileError(
            f"Another digitize has held the folder “{folder}” for more than {PATIENCE_S:g} s", "end it, and try again"
        )
    if "not a database" in told:
        return FileError(f"“{folder / LOCK}” is damaged", "delete it; nothing is lost with it")
    return FileError(f"Nothing may be written to the folder “{folder}”", "name another folder with --folder")


def keep(
    folder: Path,
    pattern: Pattern,
    preview: Callable[[Pattern], bytes],
    attached: Mapping[str, bytes],
    force: bool = False,
) -> tuple[Path, Pattern]:
    """The pattern's file in the folder, and the pattern as it was kept; whole, or not at all.

    A name that is taken gets a number, or, by ``force``, the new pattern takes the old one's place, and the old one
    stays with it as an earlier version.

    attached : what else goes with it, by kind and ending, like ``photo.jpg``
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(
            f"The folder “{folder}” cannot be made ({error.strerror})", "name another folder with --folder"
        ) from error
    with locked(folder):
        stem, pattern = _named(folder, pattern, force)
        target, beside = pattern_path(folder, stem), folder / f"{stem}{BESIDE}"
        data = pattern.model_dump_json(indent=1).encode()
        version = digest(data)
        contents = {beside / f"preview-{version}.png": preview(pattern), beside / COMING: data}
        for kind, content in attached.items():
            what, dot, ending = kind.partition(".")
            contents[beside / f"{what}-{digest(content) if what == 'comparison' else version}{dot}{ending}"] = content
        try:
            beside.mkdir(exist_ok=True)
            _sweep(beside)
            write_files(contents | _superseded(target, beside, data), force=True)
            _settle(beside)
            os.replace(beside / COMING, target)
        except OSError as error:
            raise FileError(
                f"“{target}” could not be kept ({error.strerror})", "free some space or name another folder"
            ) from error
        _settle(folder)
    return target, pattern


def _named(folder: Path, pattern: Pattern, force: bool) -> tuple[str, Pattern]:
    """The stem to keep a pattern under, and the pattern bearing the number that tells it from others of its name."""
    stem, there = safe_stem(pattern.name), kept_files(folder)
    if force:
        return next((t for t in there if folded(t) == folded(stem)), stem), pattern
    free = free_stem(stem, there)
    return free, pattern.model_copy(update={"name": f"{pattern.name}{free[len(stem) :]}"})


def _sweep(beside: Path) -> None:
    """Drafts of a process that was killed; none is at work here, since the folder is locked."""
    for draft in beside.glob(".digitize-*"):
        draft.unlink(missing_ok=True)


def _superseded(target: Path, beside: Path, data: bytes) -> dict[Path, bytes]:
    """The present version as an earlier one, unless it is the same as the new one, or stands there already."""
    before = target.read_bytes() if target.is_file() else data
    earlier = _numbered(beside)
    if before == data or (earlier and earlier[-1].read_bytes() == before):
        return {}
    return {beside / f"earlier-{_number(earlier[-1]) + 1 if earlier else 1}{PATTERN_SUFFIX}": before}


def _numbered(beside: Path) -> list[Path]:
    """Earlier versions, oldest first."""
    return sorted((p for p in beside.glob(f"earlier-*{PATTERN_SUFFIX}") if _number(p)), key=_number)


def _number(earlier: Path) -> int:
    digits = earlier.name[len("earlier-") : -len(PATTERN_SUFFIX)]
    return int(digits) if digits.isascii() and digits.isdecimal() else 0


def _settle(folder: Path) -> None:
    """New names in a folder reach the disk too, where the system lets a folder be told so."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def belongings(folder: Path, stem: str) -> Belongings:
    """What goes with a kept pattern; raises FileError if the pattern cannot be read."""
    target, beside = pattern_path(folder, stem), folder / f"{stem}{BESIDE}"
    now = file_bytes(target)
    preview = beside / f"preview-{digest(now)}.png"
    photos, comparisons = (
        tuple(sorted(beside.glob(f"{kind}-*"), key=lambda p: (p.stat().st_mtime_ns, p.name)))
        for kind in ("photo", "comparison")
    )
    earlier = _numbered(beside)
    if earlier and file_bytes(earlier[-1]) == now:  # about to be superseded when something went wrong
        earlier.pop()
    return Belongings(preview if preview.is_file() else None, photos, comparisons, tuple(earlier))


def file_bytes(path: Path) -> bytes:
    """A file's content; raises FileError."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileError(f"“{path}” cannot be read ({error.strerror})", "name a file that is there") from error


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:DIGEST]
