"""What to do with a chain that does not hold: pieces left out, made freer, or met at another kind of joint."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from digitize.fitting.adjust import ArcFit, CurveFit, LineFit, PieceFit, Unsettled
from digitize.fitting.joints import Chain, Link, chosen, own_fit
from digitize.fitting.split import Samples
from digitize.model.outline import CORNER_RAD, Loop
from digitize.model.segment import DEGREE

Floats = npt.NDArray[np.float64]

KNOT_RAD = 0.7  # turn of an arc that one span of a spline takes
LEAST_SPAN_MM = 5.0  # of a spline that is made freer: a shorter one would follow the noise
STRAINED = 30.0  # chi square that pieces may lose to smooth joints, or to being one
FREED = 5  # control points that a spline needs between given tangents
SHORT_LINE = 0.25  # of a curve's length: a line that joins it smoothly and is shorter is a part of it


def _inner_knots(fit: PieceFit, length: float) -> Floats:
    """Where a piece's spline would have inner knots, as shares of its length (mm): an arc every KNOT_RAD."""
    if isinstance(fit, CurveFit):
        return fit.knots[DEGREE + 1 : -DEGREE - 1]
    turn = length / fit.radius if isinstance(fit, ArcFit) else 0.0
    return np.linspace(0, 1, max(1, round(turn / KNOT_RAD)) + 1)[1:-1]


def _freed(samples: Samples, chain: Chain, joint: int) -> Chain | None:
    """The chain with the curves on either side of a smooth joint made one, or made freer where that cannot be.

    None where nothing gets freer. A line much shorter than the curve that it joins is a part of it.
    """
    n, after = len(chain.fits), (joint + 1) % len(chain.fits)
    spans = [(chain.links[i - 1].hi - (samples.length if i == 0 else 0.0), chain.links[i].lo) for i in (joint, after)]
    lengths = [hi - lo for lo, hi in spans]
    pair = (chain.fits[joint], chain.fits[after])
    straight = [isinstance(f, LineFit) and lengths[i] > SHORT_LINE * lengths[1 - i] for i, f in enumerate(pair)]
    inner = [_inner_knots(fit, length) for fit, length in zip(pair, lengths, strict=True)]
    fits, links = list(chain.fits), list(chain.links)
    if n > 2 and not any(straight):
        share = lengths[0] / sum(lengths)
        joined = np.concatenate([inner[0] * share, [share], share + inner[1] * (1 - share)])
        curve = _curve(samples, joined, (spans[0][0], spans[0][0] + sum(lengths)))
        if curve and _misfit(samples, curve, (spans[0][0], spans[0][0] + sum(lengths))) < STRAINED + sum(
            _misfit(samples, fit, span) for fit, span in zip(pair, spans, strict=True)
        ):
            lap = samples.length if after == 0 else 0.0  # joined with the first piece, the last one ends past the start
            fits[joint] = curve
            links[joint] = replace(links[after], lo=links[after].lo + lap, hi=links[after].hi + lap)
            del fits[after], links[after]
            return Chain(fits, links)
    for i, (k, own) in enumerate(zip((joint, after), inner, strict=True)):
        if not straight[i] and lengths[i] > LEAST_SPAN_MM * (len(own) + 1):
            fits[k] = (
                _curve(samples, np.linspace(0, 1, max(FREED - DEGREE, len(own) + 2) + 1)[1:-1], spans[i]) or fits[k]
            )
    return Chain(fits, links) if any(a is not b for a, b in zip(fits, chain.fits, strict=True)) else None


def _misfit(samples: Samples, fit: PieceFit, span: tuple[float, float]) -> float:
    """Chi square of a piece over a stretch of arc length (mm)."""
    index = chosen(samples, *span)
    return float((samples.weights[index] * fit.distances(samples.points[index]) ** 2).sum())


def _curve(samples: Samples, inner: Floats, span: tuple[float, float]) -> PieceFit | None:
    """A spline of given inner knots over a stretch of arc length (mm); None where it has too few points."""
    index = chosen(samples, *span)
    if len(index) < 2 * (len(inner) + DEGREE + 1):
        return None
    return own_fit(samples, "spline", np.concatenate([np.zeros(DEGREE + 1), inner, np.ones(DEGREE + 1)]), index)


def repaired(samples: Samples, chain: Chain, trouble: Unsettled) -> Chain:
    """The chain without a piece that would run backwards, or freer next to a joint that cannot be met."""
    fits, links = list(chain.fits), list(chain.links)
    if trouble.piece is not None and len(fits) > 2:
        k = trouble.piece
        lap = samples.length if k == 0 else 0.0
        links[k - 1] = Link(links[k - 1].lo, links[k].hi + lap, False)
        del fits[k], links[k]
        return Chain(fits, links)
    if trouble.joint is None:
        raise Unsettled
    link = links[trouble.joint]
    freer = _freed(samples, chain, trouble.joint) if link.smooth else None
    links[trouble.joint] = Link(link.lo, link.hi, not link.smooth)
    return freer or Chain(fits, links)


def smoothed(chain: Chain, loop: Loop) -> Chain:
    """The chain with joints made smooth that hardly turn."""
    turns, n = np.roll(loop.turns(), -1), len(chain.fits)
    links = list(chain.links)
    for k, link in enumerate(links if n > 1 else []):
        straight = isinstance(chain.fits[k], LineFit) and isinstance(chain.fits[(k + 1) % n], LineFit)
        if not straight and link.hi - link.lo < 1e-6 and abs(turns[k]) <= CORNER_RAD:
            links[k] = replace(link, smooth=True)
    return Chain(chain.fits, links)
