"""Whatever a part is given as, read: a pattern file, a DXF, or a photo that is traced."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from digitize.files import read_part, read_photo, text_of
from digitize.model.pattern import Pattern
from digitize.pipeline import Frame, trace
from digitize.vision.trace import Progress, Setup

DRAWINGS = (".json", ".dxf")  # whatever else is named is a photo


def is_photo(path: Path) -> bool:
    return path.suffix.lower() not in DRAWINGS


@dataclass(frozen=True)
class Reader:
    """Reads the files of one command.

    unit : of a DXF that does not say its own
    setup, fair, frame : of the photos; ``setup`` is None where there is none among the files
    """

    unit: str | None
    setup: Setup | None
    fair: float | None
    frame: Frame
    progress: Progress

    def read(self, path: Path) -> tuple[Pattern, ...]:
        """The parts in a file: one, but for a photo of which all are wanted; nothing is drawn as it may be meant."""
        if self.setup is None or not is_photo(path):
            return (read_part(path, self.unit),)
        self.progress(f"reading {path.name}", 0.0)
        photo, name = read_photo(path), text_of(path.stem) or "part"
        now = datetime.now(UTC)
        return trace([photo], self.setup, self.fair, self.frame, frozenset(), name, now, self.progress).patterns
