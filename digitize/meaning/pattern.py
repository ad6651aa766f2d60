"""A pattern's meanings, from what it keeps of its measuring; and the pattern drawn as it is meant."""

from __future__ import annotations

from collections import Counter

from digitize.meaning.asmeant import can_be_drawn, regularised
from digitize.meaning.meanings import EdgeNoise, Kind, Meaning, meanings
from digitize.model.errors import Caveat, InputError
from digitize.model.pattern import Pattern, Step


def meanings_of(pattern: Pattern) -> tuple[Meaning, ...]:
    """What a measured pattern seems to mean; nothing for one that was drawn, or whose fit is not known."""
    if pattern.measured is None or pattern.fit is None or not pattern.fit.points:
        return ()
    noise = EdgeNoise.of(pattern.outline, pattern.fit.rms_mm, pattern.fit.points)
    return meanings(pattern.outline, noise, pattern.measured.uncertainty)


def drawn_as_meant(pattern: Pattern, kinds: frozenset[Kind]) -> Pattern:
    """The pattern with all its meanings of these kinds met exactly; the step, and what could not be drawn, told in it.

    Raises InputError where it has none of them, or where they contradict each other or the measurement.
    """
    chosen = [m for m in meanings_of(pattern) if m.kind in kinds]
    if not chosen:
        raise InputError(
            f"Nothing in “{pattern.name}” seems to be meant so ({', '.join(sorted(kinds))})",
            "leave --as-meant out, or ask for other kinds",
        )
    drawable = [m for m in chosen if can_be_drawn(pattern.outline, m)]
    caveats = pattern.caveats
    if len(drawable) < len(chosen):
        problem = f"{len(chosen) - len(drawable)} of {len(chosen)} meanings concern free curves and were not drawn"
        caveats = (*caveats, Caveat(problem, "mirror a half, or redraw these curves"))
    counts = {str(kind): float(n) for kind, n in Counter(m.kind for m in drawable).items()}
    steps = (*pattern.steps, Step("drawn as meant", dict(counts)))
    outline = regularised(pattern.outline, drawable)
    return pattern.model_copy(update={"outline": outline, "steps": steps, "caveats": caveats})
