"""Contours of the practice scenes, traced once and kept in the machine's temporary folder.

The key is what the vision floor is made of, so that a change there traces anew.
"""

import hashlib
import pickle
import tempfile
from pathlib import Path

import digitize.vision
from digitize.files import read_photo
from digitize.model.errors import DigitizeError
from digitize.model.outline import Contour
from digitize.model.sheet import plain_sheet
from digitize.vision.trace import Setup, trace_photo
from tests.bench.scenes_on_disk import Scene


def _key(scene: Scene) -> str:
    code = sorted(Path(digitize.vision.__file__).parent.glob("*.py"))
    digest = hashlib.sha256(str(scene.photo.resolve()).encode())
    for path in code:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def contours_of(scene: Scene) -> tuple[tuple[Contour, ...], ...]:
    """For each part its contours, outer one first; () where the photo is refused."""
    kept = Path(tempfile.gettempdir(), "digitize-contours", f"{scene.name}-{_key(scene)}.pickle")
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    board = plain_sheet(10, 7, 25.0) if scene.plain else None
    setup = Setup(scene.thickness, board=board, part="all" if scene.broken else "largest")
    try:
        parts = trace_photo(read_photo(scene.photo), setup, lambda step, share: None).parts
    except DigitizeError:
        parts = ()
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(pickle.dumps(parts))
    return parts
