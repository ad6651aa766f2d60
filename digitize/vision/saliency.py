"""Where in the photo something lies that is not bench: contrast of superpixels with what is connected to the frame.

Source: Zhu, Liang, Wei, Sun, "Saliency optimization from robust background detection", CVPR 2014 (boundary
connectivity, eq. 3-5, and background-weighted contrast, eq. 6; from memory). Here pixels that are known to be sheet
belong to no superpixel, and pieces of the frame are joined only as far as they look alike, so that a part which leaves
the photo is not taken for bench.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.segmentation import slic

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

PIECES = 600  # superpixels in the photo
LIGHTNESS, CHROMA = 0.6, 1.3  # weights of L* and of a*, b*: a shadow changes mostly lightness
REACH = 5.0  # colour distance over which a superpixel still belongs to the same surface (Zhu: sigma_clr)
CRUMB = 0.15  # of a superpixel's usual area: slivers along the sheets' borders say nothing
NEAR = 0.25  # of the photo's long side: bench farther away says less about the colour here (Zhu: sigma_spa)


def saliency(lab: npt.NDArray[np.float32], ignore: Mask) -> npt.NDArray[np.float32]:
    """How little each pixel looks like bench, (h, w) float32 in 0..1; 0 where ``ignore`` is set.

    lab : (h, w, 3) CIE L*a*b*, about 560 px on its long side
    """
    soft = np.asarray(cv2.bilateralFilter(lab, 5, 12, 3), dtype=np.float32)
    pieces = slic(
        soft, n_segments=PIECES, compactness=12, channel_axis=-1, convert2lab=False, start_label=1, max_num_iter=6
    )
    pieces = np.where(ignore, 0, pieces)
    _, pieces = np.unique(pieces, return_inverse=True)
    pieces = np.asarray(pieces).reshape(ignore.shape) + (0 if ignore.any() else 1)
    n = int(pieces.max()) + 1
    count = np.maximum(np.bincount(pieces.ravel(), minlength=n).astype(float), 1e-9)
    colour = _means(soft, pieces, count) * [LIGHTNESS, CHROMA, CHROMA]
    y, x = np.indices(ignore.shape) / max(ignore.shape)
    place = _means(np.stack([x, y], axis=-1), pieces, count)
    bench = _bench_likelihood(pieces, colour, count)
    near = np.exp(-(_distances(place) ** 2) / (2 * NEAR**2)) * bench * count
    near[:, 0] = 0
    score = (_distances(colour) * near).sum(axis=1) / np.maximum(near.sum(axis=1), 1e-9) * (1 - bench)
    score[0] = 0
    score[count < CRUMB * ignore.size / PIECES] = 0
    return np.asarray(score / max(float(score.max()), 1e-12), dtype=np.float32)[pieces]


def _means(values: npt.NDArray[np.float32], pieces: npt.NDArray[np.intp], count: Floats) -> Floats:
    """Mean of each channel of (h, w, c) over each piece, (n, c)."""
    flat = pieces.ravel()
    sums = [np.bincount(flat, values[..., c].ravel(), minlength=len(count)) for c in range(values.shape[2])]
    return np.stack(sums, axis=1) / count[:, None]


def _distances(points: Floats) -> Floats:
    return np.asarray(np.linalg.norm(points[:, None] - points[None], axis=2))


def _bench_likelihood(pieces: npt.NDArray[np.intp], colour: Floats, count: Floats) -> Floats:
    """0..1 for each piece: how much of the surface it belongs to runs along the photo's frame."""
    n = len(count)
    a = np.concatenate([pieces[:, :-1].ravel(), pieces[:-1].ravel()])
    b = np.concatenate([pieces[:, 1:].ravel(), pieces[1:].ravel()])
    pairs = np.unique(np.sort(np.stack([a, b], axis=1)[a != b], axis=1), axis=0)
    pairs = pairs[pairs[:, 0] > 0]
    frame = np.unique(np.concatenate([pieces[0], pieces[-1], pieces[:, 0], pieces[:, -1]]))
    frame = frame[frame > 0]
    rim = np.stack(np.triu_indices(len(frame), 1), axis=1)
    usual = float(np.median(np.linalg.norm(colour[pairs[:, 0]] - colour[pairs[:, 1]], axis=1))) if len(pairs) else 0.0
    pairs = np.unique(np.vstack([pairs, frame[rim]]), axis=0)
    step = np.linalg.norm(colour[pairs[:, 0]] - colour[pairs[:, 1]], axis=1)
    step = np.maximum(step - usual, 0) + 1e-3
    away = dijkstra(coo_matrix((step, (pairs[:, 0], pairs[:, 1])), shape=(n, n)), directed=False)
    same = np.exp(-(away**2) / (2 * REACH**2))
    along, area = same[:, frame].sum(axis=1), same @ count / np.median(count[1:])
    return np.asarray(1 - np.exp(-(along**2) / np.maximum(area, 1) / 2))
