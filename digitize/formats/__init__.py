"""What can be written, by the suffix of the file's name: a drawing in, bytes out."""

from __future__ import annotations

from collections.abc import Callable

from digitize.formats.drawing import Drawing
from digitize.formats.dxf import dxf_bytes

WRITERS: dict[str, Callable[[Drawing], bytes]] = {".dxf": dxf_bytes}
"""A new format is one function and one row."""
