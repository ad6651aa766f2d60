"""Photos as people have them, and files written whole or not at all."""

import io
import json
import os
import stat
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
from PIL import Image

import digitize.files
from digitize.files import check_targets, read_lens, read_pattern, read_photo, write_files
from digitize.model.camera import LensProfile
from digitize.model.errors import FileError, PhotoError
from tests.helpers import bracket, pattern

SIZE = (640, 480)  # px, as the camera's sensor stores it
ORIENTATION, MAKE, MODEL, EXIF_IFD, FOCAL_35MM = 274, 271, 272, 34665, 41989
JPEG_TOL = 6  # grey levels in the middle of a flat field
Array = npt.NDArray[Any]

# How the stored rows and columns stand in the upright picture (TIFF 6.0, tag 274; from memory): corner colours of the
# upright picture, clockwise from the upper left, when the stored ones are red, green, blue, black.
UPRIGHT = {1: "rgbk", 2: "grkb", 3: "bkrg", 4: "kbgr", 5: "rkbg", 6: "krgb", 7: "bgrk", 8: "gbkr"}
COLOURS = {"r": (220, 30, 30), "g": (30, 220, 30), "b": (30, 30, 220), "k": (20, 20, 20)}


def four_fields() -> Array:
    """Red, green, blue and black quarters, clockwise from the upper left."""
    width, height = SIZE
    pixels = np.empty((height, width, 3), np.uint8)
    pixels[: height // 2, : width // 2], pixels[: height // 2, width // 2 :] = COLOURS["r"], COLOURS["g"]
    pixels[height // 2 :, width // 2 :], pixels[height // 2 :, : width // 2] = COLOURS["b"], COLOURS["k"]
    return pixels


def corners(pixels: Array) -> str:
    """The names of the colours in the quarters, clockwise from the upper left."""
    y, x = pixels.shape[0] // 4, pixels.shape[1] // 4
    seen = [pixels[place].astype(int) for place in ((y, x), (y, -x), (-y, -x), (-y, x))]
    return "".join(min(COLOURS, key=lambda c: np.abs(colour - COLOURS[c]).sum()) for colour in seen)


def exif(orientation: int = 1, focal: int | None = 26) -> Image.Exif:
    tags = Image.Exif()
    tags[ORIENTATION], tags[MAKE], tags[MODEL] = orientation, "Bench", "Camera 3"
    if focal is not None:
        tags.get_ifd(EXIF_IFD)[FOCAL_35MM] = focal
    return tags


def save(path: Path, kind: str, orientation: int = 1) -> Path:
    image = Image.fromarray(four_fields())
    if kind == "HEIF":  # as a camera writes it: orientation in the picture's own properties
        heif = pillow_heif.from_pillow(image)
        heif.info["exif"] = exif(orientation).tobytes()
        heif.save(path, quality=90)
    else:
        image.save(path, kind, exif=exif(orientation).tobytes())
    return path


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF"])
@pytest.mark.parametrize("orientation", list(UPRIGHT))
def test_every_kind_is_turned_upright_exactly_once(tmp_path: Path, kind: str, orientation: int) -> None:
    photo = read_photo(save(tmp_path / "photo.bin", kind, orientation))
    assert corners(photo.pixels) == UPRIGHT[orientation]
    assert photo.size == (SIZE if orientation < 5 else SIZE[::-1])
    assert photo.pixels.dtype == np.uint8 and photo.pixels.flags.c_contiguous
    assert photo.focal_35mm == 26.0 and photo.camera == "Bench Camera 3"


def test_the_content_decides_not_the_name(tmp_path: Path) -> None:
    photo = read_photo(save(tmp_path / "Schnörkel 木 part.jpg", "PNG"))
    assert (photo.pixels == four_fields()).all() and photo.name == "Schnörkel 木 part.jpg"


def ramp16() -> Array:
    return (np.linspace(0, 65535, SIZE[0])[None] * np.ones((SIZE[1], 1))).astype(np.uint16)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bit_grey_keeps_its_upper_byte(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"deep.{suffix}"
    Image.fromarray(ramp16()).save(path)
    photo = read_photo(path)
    assert (photo.pixels == (ramp16() >> 8)[..., None]).all()


def test_sixteen_bit_colour_png_keeps_its_upper_byte(tmp_path: Path) -> None:
    """Written by OpenCV, since Pillow writes no 16-bit colour."""
    cv2 = pytest.importorskip("cv2")
    deep = np.dstack([ramp16(), ramp16()[:, ::-1], np.full_like(ramp16(), 0x1234)])  # blue, green, red
    for name in ("deep.png", "deep.tif"):
        assert cv2.imwrite(str(tmp_path / name), deep)
        photo = read_photo(tmp_path / name)
        assert np.abs(photo.pixels.astype(int) - (deep[..., ::-1] >> 8)).max() == 0


@pytest.mark.parametrize("mode", ["L", "LA", "RGBA", "P", "1", "CMYK"])
def test_other_colour_modes_become_rgb(tmp_path: Path, mode: str) -> None:
    image = Image.fromarray(four_fields()).convert(mode)
    path = tmp_path / "photo.tif"
    if mode in ("P", "LA"):
        path = tmp_path / "photo.png"
    image.save(path)
    pixels = read_photo(path).pixels
    assert pixels.shape == (SIZE[1], SIZE[0], 3)
    if mode in ("RGBA", "CMYK", "P"):
        assert corners(pixels) == UPRIGHT[1]
    else:
        assert pixels[100, 500].mean() > pixels[400, 100].mean()  # green is lighter than black


def test_jpeg_values_are_the_stored_ones(tmp_path: Path) -> None:
    pixels = read_photo(save(tmp_path / "photo.jpg", "JPEG")).pixels
    assert np.abs(pixels[100:140, 100:140].astype(int) - COLOURS["r"]).max() <= JPEG_TOL


def test_the_first_of_several_pictures_is_taken(tmp_path: Path) -> None:
    first, second = Image.fromarray(four_fields()), Image.new("RGB", SIZE)
    first.save(tmp_path / "pages.tif", save_all=True, append_images=[second])
    first.save(tmp_path / "moving.png", save_all=True, append_images=[second])
    assert corners(read_photo(tmp_path / "pages.tif").pixels) == UPRIGHT[1]
    assert corners(read_photo(tmp_path / "moving.png").pixels) == UPRIGHT[1]


@pytest.mark.parametrize("focal", [None, 0])
def test_an_unknown_focal_length_is_none(tmp_path: Path, focal: int | None) -> None:
    Image.fromarray(four_fields()).save(tmp_path / "photo.jpg", exif=exif(focal=focal))
    assert read_photo(tmp_path / "photo.jpg").focal_35mm is None


@pytest.mark.parametrize(
    "tags", [b"Exif\0\0rubbish", b"Exif\0\0MM\0*\0\0\0\x08\xff\xff", b"Exif\0\0II*\0\xff\xff\xff\xff"]
)
def test_a_damaged_exif_does_not_spoil_the_pixels(tmp_path: Path, tags: bytes) -> None:
    Image.fromarray(four_fields()).save(tmp_path / "photo.jpg", exif=tags)
    photo = read_photo(tmp_path / "photo.jpg")
    assert corners(photo.pixels) == UPRIGHT[1] and photo.focal_35mm is None


def test_a_photo_without_exif_is_fine(tmp_path: Path) -> None:
    Image.fromarray(four_fields()).save(tmp_path / "photo.jpg")
    photo = read_photo(tmp_path / "photo.jpg")
    assert photo.focal_35mm is None and photo.camera == ""


def noisy(kind: str) -> bytes:
    stream = io.BytesIO()
    pixels = np.random.default_rng(7).integers(0, 255, (SIZE[1], SIZE[0], 3), dtype=np.uint8)
    Image.fromarray(pixels).save(stream, kind)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF"])
@pytest.mark.parametrize("kept", [0.001, 0.1, 0.5, 0.9, 0.99])
def test_truncated_photos_are_refused(tmp_path: Path, kind: str, kept: float) -> None:
    whole = noisy(kind)
    (tmp_path / "cut.jpg").write_bytes(whole[: int(len(whole) * kept)])
    with pytest.raises(PhotoError, match="cannot be read as a photo"):
        read_photo(tmp_path / "cut.jpg")


@pytest.mark.parametrize(
    "content",
    [b"", b"\0", b"hello", b"%PDF-1.4\n", b"<svg/>", b"\xff\xd8\xff\xe0" + b"\0" * 500, b"GIF89a" + b"\0" * 500],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "part.jpg").write_bytes(content)
    with pytest.raises(PhotoError, match="cannot be read as a photo"):
        read_photo(tmp_path / "part.jpg")


def test_missing_files_and_folders_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="is not there"):
        read_photo(tmp_path / "nothing.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        read_photo(tmp_path)


@pytest.mark.parametrize("size", [(1, 1), (640, 479), (30_000, 10)])
def test_tiny_photos_are_refused_with_their_size(tmp_path: Path, size: tuple[int, int]) -> None:
    Image.new("RGB", size).save(tmp_path / "tiny.png")
    with pytest.raises(PhotoError, match=f"only {size[0]} x {size[1]} px"):
        read_photo(tmp_path / "tiny.png")


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


@pytest.mark.parametrize(("size", "told"), [((11_000, 11_000), "121"), ((40_000, 40_000), "far more")])
def test_bombs_are_refused_from_their_header(tmp_path: Path, size: tuple[int, int], told: str) -> None:
    """A PNG that claims a size and has hardly any data: reading on would end in another error."""
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", *size, 8, 2, 0, 0, 0))
    (tmp_path / "bomb.png").write_bytes(b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", zlib.compress(b"\0" * 99)))
    with pytest.raises(PhotoError, match=f"has {told} megapixels and at most 120 are read"):
        read_photo(tmp_path / "bomb.png")


def test_patterns_are_read_back(tmp_path: Path) -> None:
    path = tmp_path / "bracket.pattern.json"
    write_files({path: pattern(bracket()).model_dump_json().encode()})
    assert read_pattern(path) == pattern(bracket())


def lens() -> LensProfile:
    covariance = tuple(tuple(float(i == j) for j in range(9)) for i in range(9))
    return LensProfile(
        size=(4032, 3024), parameters=(3000.0, 3000.0, 2016.0, 1512.0, *[0.0] * 5), covariance=covariance, rms_px=0.1
    )


def test_lens_profiles_are_read_back(tmp_path: Path) -> None:
    path = tmp_path / "phone.lens.json"
    write_files({path: lens().model_dump_json().encode()})
    assert read_lens(path) == lens()


def content(change: Callable[[dict[str, Any]], Any]) -> bytes:
    fields = json.loads(pattern(bracket()).model_dump_json())
    change(fields)
    return json.dumps(fields).encode()


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "is damaged"),
        (b"{", "is damaged"),
        (b"\xff\xfe\x00", "is damaged"),
        (b"[" * 100_000, "is damaged"),
        (b"[]", "is not a pattern"),
        (b'{"type": "FeatureCollection"}', "is not a pattern"),
        (lens().model_dump_json().encode(), "is not a pattern"),
        (content(lambda c: c.update(version=7)), "has version 7, and up to 2 is known"),
        (content(lambda c: c.update(thickness_mm=-1.0)), "is damaged at thickness_mm"),
        (content(lambda c: c["outline"]["outer"]["segments"].pop(0)), "is damaged at outline.outer"),
    ],
)
def test_damaged_and_newer_patterns_are_refused_in_one_sentence(tmp_path: Path, data: bytes, told: str) -> None:
    (tmp_path / "odd.pattern.json").write_bytes(data)
    with pytest.raises(FileError, match=told) as refusal:
        read_pattern(tmp_path / "odd.pattern.json")
    assert "\n" not in str(refusal.value)


def test_a_pattern_of_version_1_is_read(tmp_path: Path) -> None:
    (tmp_path / "old.pattern.json").write_bytes(
        content(
            lambda c: (c.update(version=1), c["measured"].update(fit_rms_mm=0.02), c.pop("fit"), c.pop("grain_deg"))
        )
    )
    read = read_pattern(tmp_path / "old.pattern.json")
    assert read.version == 2 and read.fit is not None and read.fit.rms_mm == 0.02 and read.outline == bracket()


def test_a_missing_lens_profile_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        read_lens(tmp_path / "no.lens.json")


def test_files_are_written_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    umask = os.umask(0o022)
    try:
        write_files({tmp_path / "a.dxf": b"one", tmp_path / "b.png": b"two"})
    finally:
        os.umask(umask)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"a.dxf": b"one", "b.png": b"two"}
    assert stat.S_IMODE((tmp_path / "a.dxf").stat().st_mode) == 0o644  # as any program writes, not for the owner only


def test_nothing_is_overwritten_unless_forced(tmp_path: Path) -> None:
    old = tmp_path / "a.dxf"
    old.write_bytes(b"old")
    with pytest.raises(FileError, match="--force"):
        write_files({tmp_path / "b.dxf": b"new", old: b"new"})
    assert old.read_bytes() == b"old" and not (tmp_path / "b.dxf").exists()
    write_files({old: b"new"}, force=True)
    assert old.read_bytes() == b"new"


@pytest.mark.parametrize("failing", ["fsync", "replace"])
def test_a_full_disk_leaves_the_old_file_and_no_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    def refuse(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    old = tmp_path / "a.dxf"
    old.write_bytes(b"old")
    monkeypatch.setattr(digitize.files.os, failing, refuse)
    with pytest.raises(FileError, match="No space left on device"):
        write_files({old: b"new"}, force=True)
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.dxf", b"old")]


def test_a_link_is_followed_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "shop").mkdir()
    real, link = tmp_path / "shop" / "a.dxf", tmp_path / "a.dxf"
    real.write_bytes(b"old")
    link.symlink_to(real)
    write_files({link: b"new"}, force=True)
    assert link.is_symlink() and real.read_bytes() == b"new"


def test_targets_are_checked_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photo = save(tmp_path / "photo.png", "PNG")
    (tmp_path / "folder.dxf").mkdir()
    with pytest.raises(FileError, match="is not there"):
        check_targets([tmp_path / "no" / "a.dxf"], force=True)
    with pytest.raises(FileError, match="not a file that can be replaced"):
        check_targets([tmp_path / "folder.dxf"], force=True)
    with pytest.raises(FileError, match="is read and cannot be written too"):
        check_targets([tmp_path / "folder.dxf" / ".." / "photo.png"], force=True, sources=[photo])
    with pytest.raises(FileError, match="written twice"):
        check_targets([tmp_path / "a.png", tmp_path / "folder.dxf" / ".." / "a.png"], force=True)
    monkeypatch.setattr(digitize.files.os, "access", lambda *_: False)  # tests may run as root, who may write anywhere
    with pytest.raises(FileError, match="Nothing may be written"):
        check_targets([tmp_path / "a.dxf"], force=False)
