"""A shop's folder full of invented patterns: shapes bent, stretched, turned and turned over, each a file of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from shapely import Polygon

from digitize.catalogue.folder import pattern_path
from digitize.compare.placement import turned_over
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import as_point
from tests.fitting.shapes import polygon
from tests.helpers import WHEN
from tests.shop.parts import polygon as outline_of_corners

WORDS = ("rail", "splat", "bracket", "foot", "apron", "leg", "stretcher", "crest", "slat", "panel")
WOODS = ("ash", "beech", "cherry", "elm", "oak", "walnut")
STRETCHED, BENT_MM = 0.15, 6.0
SIMPLE_MM = 0.01  # dense truth as fewer lines


def as_outline(loops: Sequence[np.ndarray], simple: float = SIMPLE_MM) -> Outline:
    """Dense closed polylines (N, 2), outer first, as lines."""
    rings = [np.asarray(Polygon(loop).simplify(simple).exterior.coords)[:-1] for loop in loops]
    return outline_of_corners(*(as_point(p) for p in rings[0]), holes=[[as_point(p) for p in r] for r in rings[1:]])


def relatives(shapes: Sequence[Outline], count: int, seed: int) -> Iterator[Outline]:
    """Shapes like the given ones, none the same: each stretched, and bent by two slow waves, in any turn and hand."""
    rng = np.random.default_rng(seed)
    made = 0
    while made < count:
        shape = shapes[made % len(shapes)]
        loops = [loop.flattened(0.05) for loop in shape.loops]
        stretch = 1 + rng.uniform(-STRETCHED, STRETCHED, 2)
        size = np.ptp(loops[0], axis=0).max()
        phase, bend = rng.uniform(0, 2 * math.pi, (2, 2)), rng.uniform(-BENT_MM, BENT_MM, 2)
        bent = []
        for p in loops:
            waves = [bend[i] * np.sin(2 * math.pi * p[:, 1 - i] / size * (1 + i) + phase[i, 0]) for i in (0, 1)]
            bent.append(p * stretch + np.stack(waves, axis=1))
        part = Polygon(bent[0], bent[1:])
        if part.is_valid and part.area > 0:
            outline = as_outline(bent, 0.05).moved(rng.uniform(0, 2 * math.pi), rng.uniform(-200, 200, 2))
            yield turned_over(outline) if rng.random() < 0.5 else outline
            made += 1


def invented(outline: Outline, number: int) -> Pattern:
    word, wood = WORDS[number % len(WORDS)], WOODS[number // len(WORDS) % len(WOODS)]
    return Pattern(
        name=f"{word} {number}",
        created=WHEN,
        thickness_mm=6.0 + number % 20,
        outline=outline,
        stock=f"{wood} board",
        tags=(word, wood),
        notes=f"drawer {number % 37} at Quillmere Yard",
    )


def put(folder: Path, pattern: Pattern, stem: str | None = None) -> Path:
    """Put there by hand: a file, and nothing else."""
    path = pattern_path(folder, stem or pattern.name.replace(" ", "-"))
    path.write_text(pattern.model_dump_json(), encoding="utf-8")
    return path


def chairs() -> list[Outline]:
    """A few shapes of our own, one with a hole, none its own mirror image."""
    ell = [(0, 0), (140, 0), (140, 35), (50, 60), (45, 180), (0, 170)]
    hook = [(0, 0), (220, 10), (260, 70), (200, 95), (180, 55), (20, 40)]
    wedge = [(0, 0), (300, 0), (280, 50), (40, 90)]
    return [
        as_outline([polygon(ell), polygon([(15, 20), (15, 50), (60, 40), (40, 15)])]),
        as_outline([polygon(hook)]),
        as_outline([polygon(wedge)]),
    ]
