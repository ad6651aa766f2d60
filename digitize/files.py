"""The only disk access: photos in, our own files in and out, each written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import tomllib
import warnings
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

from PIL import Image
from pillow_heif import register_heif_opener
from pydantic import BaseModel, ValidationError

from digitize.formats.dxf_read import DrawnParts, read_dxf
from digitize.model.camera import LensProfile
from digitize.model.errors import DigitizeError, FileError, InputError, PhotoError
from digitize.model.pattern import Pattern, migrated
from digitize.shop.cutter import RACK_NAME, Rack, default_rack, rack_fault
from digitize.vision.decode import decoded, too_large
from digitize.vision.photo import Photo

FORMATS = ("JPEG", "PNG", "TIFF", "HEIF")  # and no other decoder sees the data
PHOTO_REMEDY = "copy it from the camera again, as JPEG, PNG, TIFF or HEIC"
PATTERN_SUFFIX = ".pattern.json"
LENS_SUFFIX = ".lens.json"
RACK_FILE = Path(RACK_NAME)  # a shop's own rack, in the folder where it works

register_heif_opener()

_Form = TypeVar("_Form", bound=BaseModel)


def read_photo(path: Path) -> Photo:
    """The photo in a file, as ``photo_from`` reads it.

    Raises
    ------
    PhotoError if it is missing, not such a picture, damaged, too large or too small
    """
    if not path.is_file():
        what = "is a folder, not a photo" if path.is_dir() else "is not there"
        raise PhotoError(f"“{path}” {what}", "name a photo (JPEG, PNG, TIFF or HEIC)")
    try:
        with open(path, "rb") as file:
            return photo_from(file, path.name)
    except OSError as error:
        raise PhotoError(f"“{path}” cannot be read as a photo ({_reason(error)})", PHOTO_REMEDY) from error


def photo_from(stream: BinaryIO, name: str) -> Photo:
    """An upright photo: JPEG, PNG, TIFF or HEIC, whatever its name ends in; of several pictures in a file the first.

    stream : an open file, or what was sent; name : for people

    Raises
    ------
    PhotoError if it is not such a picture, damaged, too large or too small: the size is looked at before any pixel is
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's own size warning, and unusual but harmless EXIF
            with Image.open(stream, formats=FORMATS) as image:
                return decoded(image, name)
    except DigitizeError:
        raise
    except Image.DecompressionBombError as error:
        raise too_large(name, "far more") from error
    except Exception as error:  # decoders raise whatever they like on damaged data
        raise PhotoError(f"“{name}” cannot be read as a photo ({_reason(error)})", PHOTO_REMEDY) from error


def _reason(error: Exception) -> str:
    if isinstance(error, MemoryError):
        return "not enough memory"
    if isinstance(error, PermissionError):
        return "no permission"
    if "cannot identify" in str(error):
        return "it is not a picture of a known kind"
    return str(error).splitlines()[0][:80] if str(error) else type(error).__name__


def text_of(name: str) -> str:
    """A name as UTF-8 can hold it, whatever the file system holds."""
    return name.encode("utf-8", "replace").decode()


def read_pattern(path: Path) -> Pattern:
    """A pattern from its ``.pattern.json``; raises FileError."""
    return _read_form(path, Pattern, "pattern", migrated)


def read_part(path: Path, unit: str | None = None) -> Pattern:
    """A pattern from its ``.pattern.json`` or from a DXF, which may be anybody's.

    unit : of a DXF that does not say its own, "mm" or "inch"; the thickness of a DXF that does not say it is None

    Raises
    ------
    FileError if it cannot be read, or is a DXF of several parts
    InputError if it is a DXF without a unit, or not one of closed loops
    """
    if path.suffix.lower() != ".dxf":
        return read_pattern(path)
    try:
        data = path.read_bytes()
        when = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except OSError as error:
        raise FileError(f"The drawing “{path}” cannot be read ({error.strerror})", "name a DXF") from error
    try:
        parts = read_dxf(data, unit)
    except InputError as error:
        raise InputError(f"“{path}”: {error.problem}", error.remedy) from error
    return _drawn_pattern(path, parts, when)


def _drawn_pattern(path: Path, parts: DrawnParts, when: datetime) -> Pattern:
    if len(parts.outlines) > 1:
        x, y = parts.outlines[1].outer.segments[0].start
        raise FileError(
            f"“{path}” holds {len(parts.outlines)} parts (one at ({x:.2f}, {y:.2f}) mm) and one is read at a time",
            "save each part in a file of its own",
        )
    facts = parts.facts
    return Pattern(
        name=(facts.name if facts else "") or text_of(path.stem) or "part",
        created=when,
        thickness_mm=facts.thickness_mm if facts else None,
        grain_deg=facts.grain_deg if facts else None,
        outline=parts.outlines[0],
        caveats=parts.caveats,
    )


def read_lens(path: Path) -> LensProfile:
    """A lens profile from its ``.lens.json``; raises FileError."""
    return _read_form(path, LensProfile, "lens profile")


def lens_files(folder: Path) -> dict[str, Path]:
    """The lens profiles in a folder, by their files' names without ``.lens.json``."""
    try:
        return {p.name.removesuffix(LENS_SUFFIX): p for p in sorted(folder.iterdir()) if p.name.endswith(LENS_SUFFIX)}
    except OSError:
        return {}


def read_rack(path: Path | None = None) -> Rack:
    """The rack in a TOML file; without one named, the one in ``rack.toml`` here, or where that is not the default rack.

    Raises
    ------
    FileError if it cannot be read, is no TOML, or a cutter in it is not as it should be
    """
    if path is None:
        return read_rack(RACK_FILE) if RACK_FILE.is_file() else default_rack()
    remedy = "mend it, or move it away and begin another with “digitize rack add”"
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"The rack “{path}” cannot be read ({error.strerror})", remedy) from error
    except ValueError as error:  # no TOML, or no UTF-8
        raise FileError(f"The rack “{path}” is damaged ({_reason(error)})", remedy) from error
    if content.get("kind") != "digitize rack":
        raise FileError(f"“{path}” is not a rack", 'its first line should be: kind = "digitize rack"')
    version = content.get("version")
    if isinstance(version, int) and version > 1:
        raise FileError(f"The rack “{path}” has version {version}, and up to 1 is known", "install a newer digitize")
    try:
        return Rack.model_validate(content)
    except ValidationError as error:
        raise FileError(f"The rack “{path}” cannot be used: {rack_fault(content, error)}", remedy) from error


def _read_form(
    path: Path,
    form: type[_Form],
    what: str,
    migrate: Callable[[dict[str, Any]], dict[str, Any]] = lambda content: content,
) -> _Form:
    """A versioned JSON file; ``form`` has the fields kind and version with their only values as defaults."""
    remedy = f"name a {what} made by digitize, or make it anew"
    try:
        text = path.read_text(encoding="utf-8")
        content: Any = json.loads(text)
    except OSError as error:
        raise FileError(f"The {what} “{path}” cannot be read ({error.strerror})", remedy) from error
    except (ValueError, RecursionError) as error:
        raise FileError(f"The {what} “{path}” is damaged", remedy) from error
    kind, version = (form.model_fields[name].default for name in ("kind", "version"))
    if not isinstance(content, dict) or content.get("kind") != kind:
        raise FileError(f"“{path}” is not a {what}", remedy)
    if isinstance(content.get("version"), int) and content["version"] > version:
        raise FileError(
            f"The {what} “{path}” has version {content['version']}, and up to {version} is known",
            "install a newer digitize",
        )
    try:
        return form.model_validate_json(json.dumps(migrate(content)))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"])
        raise FileError(f"The {what} “{path}” is damaged at {where} ({first['msg'].lower()})", remedy) from error


def check_targets(targets: Iterable[Path], force: bool, sources: Iterable[Path] = ()) -> None:
    """Whether the targets can be written, before the long work begins.

    Raises
    ------
    FileError if a folder is missing or closed, a target exists and ``force`` is not given, or is one of the sources
    """
    targets = list(targets)
    resolved = [t.resolve() for t in targets]
    for target, real in zip(targets, resolved, strict=True):
        if resolved.count(real) > 1:
            raise FileError(f"“{target}” would be written twice", "give each output its own name")
        if real in {s.resolve() for s in sources}:
            raise FileError(f"“{target}” is read and cannot be written too", "give the output another name")
        if not real.parent.is_dir():
            raise FileError(f"The folder “{target.parent}” is not there", "make it first, or name another")
        if not os.access(real.parent, os.W_OK):
            raise FileError(f"Nothing may be written to the folder “{target.parent}”", "name another folder")
        if real.exists() and not real.is_file():
            raise FileError(f"“{target}” is not a file that can be replaced", "give the output another name")
        if real.exists() and not force:
            raise FileError(f"“{target}” is already there", "give another name, or --force to replace it")


def write_files(contents: Mapping[Path, bytes], force: bool = False) -> None:
    """Write all the files or none: first each complete beside its target, then all moved into place.

    Raises
    ------
    FileError as check_targets, or if the disk refuses
    """
    check_targets(contents, force)
    drafts = {p.resolve(): p.resolve().parent / f".digitize-{os.getpid()}-{i}" for i, p in enumerate(contents)}
    try:
        for draft, content in zip(drafts.values(), contents.values(), strict=True):
            with open(draft, "xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        for target, draft in drafts.items():
            os.replace(draft, target)
    except OSError as error:
        raise FileError(
            f"The result could not be written ({error.strerror})", "free some space or name another folder"
        ) from error
    finally:
        for draft in drafts.values():
            with contextlib.suppress(OSError):
                draft.unlink(missing_ok=True)
