"""The picture of the outline on the photo: where the lines are, and that nothing else is lost."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image, ImageColor
from scipy.spatial import cKDTree

from digitize.formats.png import EDGE, LONG_SIDE_PX, Overlay, overlay_png
from digitize.vision.photo import Photo
from tests.helpers import PlumbView, bracket

LINE_PX = 2.0  # half the drawn line and its soft rim
GREY = 128


def picture(
    size: tuple[int, int], view: PlumbView, lines: tuple[str, ...] = ("bracket: 170.00 x 100.00 mm",)
) -> np.ndarray:
    photo = Photo(np.full((size[1], size[0], 3), GREY, np.uint8))
    outline = bracket().moved(0.2, (-80.0, -60.0))
    data = overlay_png(photo, view, Overlay([outline], [], ["bracket"], 6.0, lines))
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


@pytest.mark.parametrize(("size", "scale"), [((640, 480), 0.5), ((3000, 4000), 0.08)])
def test_the_outline_is_drawn_where_the_camera_saw_it(size: tuple[int, int], scale: float) -> None:
    view = PlumbView(size, scale)
    image = picture(size, view)
    reduction = min(1.0, LONG_SIDE_PX / max(size))
    assert image.shape[1] == round(size[0] * reduction) and image.shape[0] > round(size[1] * reduction)
    drawn = np.argwhere(np.abs(image - ImageColor.getrgb(EDGE)).sum(axis=2) < 40)[:, ::-1]
    outline = bracket().moved(0.2, (-80.0, -60.0))
    exact = np.vstack([view.image_from_bench(s.point(np.linspace(0, 1, 3000))) for s in outline.segments])
    exact = (exact + 0.5) * reduction - 0.5  # pixel centres at integers, before and after the reduction
    off, _ = cKDTree(exact).query(drawn)
    assert len(drawn) and off.max() < LINE_PX
    corners = (view.image_from_bench(np.array(outline.corners())) + 0.5) * reduction - 0.5
    clear = cKDTree(corners).query(exact)[0] > 12  # the corners' marks cover the line
    missed, _ = cKDTree(drawn).query(exact[clear])
    assert missed.max() < LINE_PX


def test_the_photo_itself_is_kept_and_the_caption_stands_below_it() -> None:
    image = picture((640, 480), PlumbView())
    assert (image[440:480, 600:] == GREY).all()
    strip = image[480:]
    assert (strip == 255).mean() > 0.5 and (strip < 64).any()


def test_long_captions_are_wrapped_inside_the_picture() -> None:
    short, long = (picture((640, 480), PlumbView(), lines) for lines in (("a",), ("a", "word " * 60)))
    assert len(long) > len(short)
    assert (long[480:, -2:] == 255).all()  # nothing runs over the right edge


def test_line_and_rim_differ_in_lightness_not_only_in_hue() -> None:
    """Seen without any colour, the line still stands out from its rim and from mid grey."""
    image = picture((640, 480), PlumbView()).astype(np.uint8)
    grey = cv2.cvtColor(image[:480], cv2.COLOR_RGB2GRAY).astype(int)
    assert (grey > GREY + 50).sum() > 500 and (grey < 30).sum() > 500
