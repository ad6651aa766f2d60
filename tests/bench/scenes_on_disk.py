"""The practice scenes as the benches read them."""

import json
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Scene:
    """One photo with its truth; ``floor`` is the RMS (mm) of a locator that is told lens and rough edge."""

    name: str
    folder: Path
    photo: Path
    truth: Path
    thickness: float
    expect: str
    plain: bool
    broken: bool
    floor: float | None

    @property
    def arguments(self) -> list[str]:
        """Of the command line that traces it."""
        arguments = ["trace", str(self.photo), "--thickness", str(self.thickness)]
        arguments += ["--sheet", "plain:10x7x25mm"] if self.plain else []
        return arguments + (["--part", "all"] if self.broken else [])


def scenes(folder: Path) -> list[Scene]:
    """All scenes of a practice folder but the calibration photos."""
    index = json.loads((folder / "truth.json").read_text())
    floors = json.loads((folder / "floor.json").read_text())
    return [
        Scene(
            name=name,
            folder=folder,
            photo=folder / entry["image"],
            truth=folder / entry["truth"],
            thickness=entry["thickness_mm"],
            expect=entry["expect"],
            plain="plain-board" in entry["tags"],
            broken="broken" in entry["tags"],
            floor=floors.get(name, {}).get("rms_mm"),
        )
        for name, entry in index.items()
        if entry["expect"] != "calibrate"
    ]
