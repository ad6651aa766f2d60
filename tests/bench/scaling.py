"""Time and memory of the whole command on one practice photo at about 3, 12 and 48 megapixels.

python -m tests.bench.scaling PRACTICE_FOLDER [SCENE]
"""

import sys
import tempfile
from pathlib import Path

from PIL import Image

from tests.bench.accuracy import run_whole
from tests.bench.scenes_on_disk import scenes


def main(folder: str, name: str = "s04") -> None:
    scene = next(s for s in scenes(Path(folder)) if s.name == name)
    print(f"{'size':>11} {'MP':>5} {'s':>6} {'MB':>6}")
    with Image.open(scene.photo) as photo, tempfile.TemporaryDirectory() as work:
        for factor in (0.5, 1.0, 2.0):
            size = tuple(round(side * factor) for side in photo.size)
            path = Path(work, f"{size[0]}.jpg")
            photo.resize(size, Image.Resampling.LANCZOS).save(path, quality=93, exif=photo.getexif())
            arguments = [a if a != str(scene.photo) else str(path) for a in scene.arguments]
            code, seconds, memory, said = run_whole(
                [*arguments, "--dxf", "-o", str(Path(work, "x.pattern.json")), "--force"]
            )
            megapixels = size[0] * size[1] / 1e6
            trouble = "" if code == 0 else said
            print(f"{size[0]:5} x {size[1]:<4} {megapixels:4.0f} {seconds:6.2f} {memory:6.0f}  {trouble}", flush=True)


if __name__ == "__main__":
    if len(sys.argv) < 2 or not Path(sys.argv[1], "truth.json").exists():
        sys.exit("skipped: give the folder of practice photos (with truth.json in it)")
    main(*sys.argv[1:])
