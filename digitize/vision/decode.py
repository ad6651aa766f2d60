"""A picture made a photo: its pixels upright, in sRGB, with what the EXIF tells."""

from __future__ import annotations

import numpy as np
from PIL import ExifTags, Image

from digitize.model.errors import PhotoError
from digitize.vision.photo import Image as Pixels
from digitize.vision.photo import Photo

MOST_MEGAPIXELS = 120  # well above any phone; more is a decompression bomb
LEAST_SIDE_PX = 480
STRIP_ROWS = 512  # the photo is converted strip by strip, so that it is in memory once and a bit
FOCAL_35MM = (5.0, 2000.0)  # the EXIF writes 0 for unknown
DEEP = ("I;16", "I;16L", "I;16B", "I;16N")  # 16-bit grey in Pillow's words


def decoded(image: Image.Image, name: str) -> Photo:
    """The upright photo in a picture that was opened; its size is looked at before any pixel is.

    Raises PhotoError where it is too large or too small; a damaged one makes Pillow raise whatever it likes.
    """
    _check_size(name, image.size)
    turn, focal_35mm, camera, stood = _metadata(image)
    return Photo(_upright(_pixels(image), turn), name, focal_35mm, camera, stood)


def _check_size(name: str, size: tuple[int, int]) -> None:
    if size[0] * size[1] > MOST_MEGAPIXELS * 1e6:
        raise too_large(name, f"{size[0] * size[1] / 1e6:.0f}")
    if min(size) < LEAST_SIDE_PX:
        raise PhotoError(
            f"“{name}” is only {size[0]} x {size[1]} px and at least {LEAST_SIDE_PX} px each way are needed",
            "use the original photo, not a preview",
        )


def too_large(name: str, megapixels: str) -> PhotoError:
    """What to say of a picture that nobody's camera makes."""
    return PhotoError(
        f"“{name}” has {megapixels} megapixels and at most {MOST_MEGAPIXELS} are read",
        "take the photo at a lower resolution",
    )


def _pixels(image: Image.Image) -> Pixels:
    """(H, W, 3) uint8 RGB as stored; 16-bit values keep their upper byte, transparency is dropped."""
    image.load()
    if image.mode in ("I", "F"):
        raise ValueError("it holds 32-bit values, not a photo")
    width, height = image.size
    pixels = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, STRIP_ROWS):
        strip = image.crop((0, top, width, min(top + STRIP_ROWS, height)))
        if image.mode in DEEP:
            pixels[top : top + STRIP_ROWS] = (np.asarray(strip) >> 8)[..., None]
        else:
            pixels[top : top + STRIP_ROWS] = np.asarray(strip.convert("RGB"))
    return pixels


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Turned as the EXIF orientation 1 .. 8 asks (TIFF 6.0, tag 274; from memory)."""
    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels)


QUARTER_TURNS = {6: 1, 3: 2, 8: 3}  # clockwise, by EXIF orientation


def _metadata(image: Image.Image) -> tuple[int, float | None, str, int]:
    """Orientation still to be applied, 35 mm focal length, make and model, quarter turns that make (or made) the
    sensor's picture upright; a damaged EXIF says nothing."""
    try:
        exif = image.getexif()
        focal = float(exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm) or 0.0)
        make, model = (str(exif.get(tag, "")) for tag in (ExifTags.Base.Make, ExifTags.Base.Model))
        turn = exif.get(ExifTags.Base.Orientation, 1)
    except Exception:  # whatever a decoder raises; the pixels are sound all the same
        return 1, None, "", 0
    done = image.format in ("TIFF", "HEIF")  # Pillow turns a TIFF by itself, pillow-heif a HEIC
    known = FOCAL_35MM[0] <= focal <= FOCAL_35MM[1]
    stood = QUARTER_TURNS.get(image.info.get("original_orientation") or turn, 0)  # pillow-heif resets the tag it obeyed
    return 1 if done else turn, focal if known else None, _camera(make, model), stood


def _camera(*names: str) -> str:
    make, model = (" ".join("".join(c if c.isprintable() else " " for c in name).split()) for name in names)
    return model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()
