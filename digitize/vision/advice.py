"""What to do next: the one thing at the bench that would make a traced size surer by most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from digitize.model.pattern import Contribution, size_uncertainty

WORTH = 0.9  # of the present uncertainty: smaller gains are not worth a walk to the bench
BY_MORE = (
    0.5  # of what a cause leaves open, where it is not known better: one more sheet, a better hold, a nearer camera
)


def advise(contributions: Sequence[Contribution], cures: Mapping[str, tuple[str, float]], size_mm: float) -> str:
    """A sentence with the best cure and what it would bring for a size, or "" where none is worth it.

    cures : for a contribution's name, what to do about it and the share of it that is then left
    """
    now = size_uncertainty(tuple(contributions), size_mm)
    best, what = WORTH * now, ""
    for name, (cure, left) in cures.items():
        after = tuple(
            replace(c, size_ppm=left * c.size_ppm, edge_mm=left * c.edge_mm) if c.name == name else c
            for c in contributions
        )
        then = size_uncertainty(after, size_mm)
        if then < best:
            best, what = then, f"{cure}, for about ± {then:.2f} mm"
    return what
