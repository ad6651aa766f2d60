"""What a shape is like, in so few numbers that thousands are compared at once: any place, any turn, either hand.

The outer loop, sampled evenly along itself as complex numbers about their mean, has Fourier coefficients c_k. A turn
multiplies all by one unit number, another beginning multiplies c_k by exp(i k m), and the mirror image has the
conjugates. So the correlation of two shapes over all beginnings is one short inverse FFT, its largest modulus holds
the best turn, and what is left is a distance in mm. Holes add their area and their moments about the loop's mean.

Source: Zahn and Roskies (1972), Fourier descriptors, in Granlund's complex form (1972); Procrustes over all shifts as
in ``register``; from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.compare.nearest import Curves, Floats
from digitize.compare.placement import turned_over
from digitize.compare.register import register
from digitize.compare.stations import Master
from digitize.model.outline import Outline
from digitize.model.segment import Points

SAMPLES = 512  # along the outer loop
HARMONICS = 32  # each way round; what they leave out of a comb of nine slots is below 1 mm
BEGINNINGS = 128  # looked at before the best is found between them
CLOSELY = 0.125  # of the step between two of them, the second time
HOLES = 4  # numbers that tell of holes
LENGTH = 2 * (2 * HARMONICS) + HOLES
"""Numbers in a signature."""
CHORD_MM = 0.05  # holes as polygons: their moments need no more
OTHER_HAND_MM = 0.1  # the mirror image has to be so much nearer before a shape is called one: a photo errs by less
SPACING_SHARE = 1 / 400  # of all edges together: between points where two shapes are measured against each other
NOISE_MM = 0.02  # placements that differ by less are equally good

Complexes = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Likeness:
    """How far one shape is from another where it is laid best.

    rms_mm, largest_mm : of the distances from the edges of each to the other's, holes too
    mirrored : whether it had to be turned over
    """

    rms_mm: float
    largest_mm: float
    mirrored: bool


def signature(outline: Outline) -> Floats:
    """(LENGTH,) float, mm: the same for an outline placed and turned in any way, and begun anywhere.

    What differs is only the phase of the coefficients, which ``differences`` looks through.
    """
    curves = Curves.of(outline.outer)
    points, _ = curves.at(np.arange(SAMPLES) / SAMPLES * curves.length)
    z = points @ np.array([1.0, 1.0j])
    mean = complex(z.mean())
    c = np.fft.fft(z - mean)[_harmonics()] / SAMPLES
    reach = math.sqrt(float(np.mean(np.abs(z - mean) ** 2)))
    holes = _moments(outline, mean, reach) / curves.length
    numbers: Floats = np.concatenate([c.real, c.imag, holes])
    return numbers


def differences(one: Floats, many: Floats) -> tuple[Floats, Floats]:
    """How far N shapes are from one as they are, and as their mirror images: two (N,) arrays, mm RMS by length.

    one : (LENGTH,); many : (N, LENGTH)
    """
    a, b = _coefficients(one[None])[0], _coefficients(many)
    energy = np.sum(np.abs(a) ** 2) + np.sum(np.abs(b) ** 2, axis=1)
    holes = np.sum((many[:, -HOLES:] - one[-HOLES:]) ** 2, axis=1)
    same, mirrored = (
        np.sqrt(np.maximum(0.0, energy - 2 * _best_match(a * np.conj(other))) + holes) for other in (b, np.conj(b))
    )
    return same, mirrored


def likeness(one: Outline, other: Outline, hands: tuple[bool, ...] = (False, True)) -> Likeness:
    """``one`` laid best on ``other`` and measured against it, and it against ``one``.

    hands : whether to try it as it is (False), turned over (True), or both
    """
    master, best = Master.of(other), None
    for hand in hands:
        found, free_turn = _placed(turned_over(one) if hand else one, master, hand)
        if best is None or found.rms_mm < best.rms_mm - OTHER_HAND_MM:
            best = found
        if best.rms_mm <= OTHER_HAND_MM or free_turn:
            break  # the mirror image could not be so much nearer, or is the same
    if best is None:
        raise ValueError("a shape is laid on another as it is, turned over, or both, not neither")
    return best


def hands_to_try(same: float, mirrored: float, holes: bool) -> tuple[bool, ...]:
    """Which hands are worth laying on each other, from the two differences; holes may tell where the edge does not."""
    if same - mirrored > OTHER_HAND_MM:
        return (True,)
    return (False, True) if holes and mirrored - same <= OTHER_HAND_MM else (False,)


def _placed(outline: Outline, master: Master, mirrored: bool) -> tuple[Likeness, bool]:
    """How far it is off as it is placed best, and whether it fits in any turn."""
    part = Master.of(outline)
    found = register(master, part.curves, outline, NOISE_MM)
    placement = found.placement
    theirs, ours = (m.stations(sum(c.length for c in m.curves) * SPACING_SHARE) for m in (master, part))
    off = np.concatenate(
        [
            _nearest(part, placement.back(theirs.points)),
            _nearest(master, placement.of(ours.points)),
        ]
    )
    return Likeness(math.sqrt(float(np.mean(off**2))), float(off.max()), mirrored), found.free_turn


def _nearest(shape: Master, points: Points) -> Floats:
    """Distances of points (N, 2) to the nearest edge, mm."""
    near: Floats = np.min([np.abs(c.nearest(points).distance) for c in shape.curves], axis=0)
    return near


def _harmonics() -> npt.NDArray[np.intp]:
    """-HARMONICS .. -1, 1 .. HARMONICS: as numbers, and as places in an FFT. The mean is zero and left out."""
    k = np.arange(1, HARMONICS + 1)
    return np.concatenate([-k[::-1], k])


def _coefficients(numbers: Floats) -> Complexes:
    """(N, 2 HARMONICS) complex from (N, LENGTH)."""
    c: Complexes = numbers[:, : 2 * HARMONICS] + 1j * numbers[:, 2 * HARMONICS : 4 * HARMONICS]
    return c


def _best_match(products: Complexes) -> Floats:
    """Largest modulus of the correlation, (N,), whose spectrum is ``products`` (N, 2 HARMONICS), over all beginnings.

    Sampled first; a parabola through the largest square and its neighbours then says where to look once more, closely.
    """
    spectrum = np.zeros((len(products), BEGINNINGS), complex)
    spectrum[:, _harmonics()] = products
    square = np.abs(np.fft.ifft(spectrum, axis=1) * BEGINNINGS) ** 2
    best = square.argmax(axis=1)
    row = np.arange(len(square))
    off, _ = _vertex(*(square[row, (best + step) % BEGINNINGS] for step in (-1, 0, 1)))
    step = 2j * math.pi / BEGINNINGS * _harmonics()
    there = products * np.exp(np.outer(best + off, step))
    _, most = _vertex(*(np.abs(there @ np.exp(CLOSELY * m * step)) ** 2 for m in (-1, 0, 1)))
    match: Floats = np.sqrt(most)
    return match


def _vertex(before: Floats, at: Floats, after: Floats) -> tuple[Floats, Floats]:
    """Where the parabola through three samples one step apart is highest, in steps from the middle, and how high."""
    bend = np.minimum(before - 2 * at + after, -1e-12 * (at + 1e-12))
    off = np.clip((before - after) / (2 * bend), -1.0, 1.0)
    return off, at - (before - after) * off / 4


def _moments(outline: Outline, mean: complex, reach: float) -> Floats:
    """(HOLES,) mm2: area of all holes, and their moments of first and second order about ``mean``, turn taken out.

    By Green's theorem over the polygons' sides, exactly: the integrals over a hole of 1, w, w^2 and |w|^2.
    """
    total = np.zeros(HOLES, complex)
    for hole in outline.holes:
        w = (hole.flattened(CHORD_MM) @ np.array([1.0, 1.0j]) - mean) / reach
        v = np.roll(w, -1)
        twice = np.imag(np.conj(w) * v)
        norms = np.abs(w) ** 2 + np.real(w * np.conj(v)) + np.abs(v) ** 2
        terms = (twice / 2, twice * (w + v) / 6, twice * (w**2 + w * v + v**2) / 12, twice * norms / 12)
        total -= np.array([t.sum() for t in terms]) * reach**2  # holes run clockwise
    moments: Floats = np.abs(total)
    return moments
