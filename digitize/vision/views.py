"""Several photos of one undisturbed bench: one joint solve for all poses, the sheets' places and the lens."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from digitize.model.camera import LensProfile
from digitize.model.errors import Caveat, SheetError
from digitize.model.segment import moved_points
from digitize.vision.checkerboard import Sighting
from digitize.vision.layout import ARCHES, Layout, lay_out
from digitize.vision.lensprior import LensPrior, guessed_lens, profiled_lens
from digitize.vision.solve import FLATNESS_MM, Fit, solve_together
from digitize.vision.view import FOCAL_SIGMA, LOOSE_MM, View, check_fit, solve_view, view_of

MOVED_MM = 0.3  # a sheet's far end that lies farther from where another photo has it was moved
SURE = 5.0  # standard deviations before that is said


@dataclass(frozen=True, eq=False)
class Seen:
    """What one photo brings to a joint solve.

    sightings : as find_sheets gives them; size : of the photo, px; focal_px : as far as it is known
    kind : photos of one kind share a lens (camera, focal length, size, how it was held)
    """

    name: str
    sightings: list[Sighting]
    size: tuple[int, int]
    focal_px: float
    kind: tuple[object, ...]


def solve_views(photos: Sequence[Seen], lens: LensProfile | None = None) -> tuple[tuple[View, ...], tuple[Caveat, ...]]:
    """One view for each photo, all over one bench frame, that of the photo taken most nearly from straight above.

    A sheet's number tells which it is in every photo; where one photo shows a number twice, its sheets serve pose and
    lens only.

    Raises
    ------
    SheetError as solve_view for each photo; if photos share no sheet; if sheets were moved between photos
    """
    alone, caveats = _each_alone(photos, lens)
    if len(photos) == 1:
        return tuple(alone), caveats
    order = sorted(range(len(photos)), key=lambda k: alone[k].tilt)
    _check_plain(alone)
    names = _names(alone)
    order = _tied(order, names, [p.name for p in photos])
    _check_unmoved([photos[k].name for k in order], [alone[k] for k in order], [names[k] for k in order])
    views = _together([photos[k] for k in order], [alone[k] for k in order], [names[k] for k in order], lens)
    for view in views:
        check_fit(view)
    return tuple(views[order.index(k)] for k in range(len(photos))), caveats


def _each_alone(photos: Sequence[Seen], lens: LensProfile | None) -> tuple[list[View], tuple[Caveat, ...]]:
    views: list[View] = []
    caveats: list[Caveat] = []
    for photo in photos:
        try:
            view, told = solve_view(photo.sightings, photo.size, photo.focal_px, lens=lens)
        except SheetError as error:
            raise SheetError(f"in “{photo.name}” {error.problem}", error.remedy) from error
        views.append(view)
        caveats += [c for c in told if c not in caveats]
    return views, tuple(caveats)


def _names(views: Sequence[View]) -> list[list[tuple[int | None, ...]]]:
    """A name for every sheet of every photo, the same wherever it is the same sheet."""
    numbers = [[s.sheet.number for s in view.sightings] for view in views]
    double = {n for each in numbers for n in each if each.count(n) > 1}
    return [[(n, photo, k) if n in double else (n,) for k, n in enumerate(each)] for photo, each in enumerate(numbers)]


def _check_plain(views: Sequence[View]) -> None:
    for view in views:
        for sheet in (s.sheet for s in view.sightings):
            if sheet.number is None and (sheet.across + sheet.down) % 2 == 0:
                raise SheetError(
                    f"a plain board of {sheet.across} x {sheet.down} squares looks the same turned by half a turn, so "
                    "it cannot tie photos together",
                    "use coded sheets, or a board with an odd and an even number of squares",
                )


def _tied(order: list[int], names: Sequence[Sequence[tuple[int | None, ...]]], called: Sequence[str]) -> list[int]:
    """The photos in an order in which each shows a sheet that an earlier one shows; the first stays first."""
    tied, known, left = order[:1], set(names[order[0]]), order[1:]
    while left:
        following = next((k for k in left if known & set(names[k])), None)
        if following is None:
            raise SheetError(
                f"“{called[left[0]]}” shows none of the sheets that “{called[tied[0]]}” shows",
                "let each photo show at least one sheet that another one shows too, or trace it by itself",
            )
        tied.append(following)
        known |= set(names[following])
        left.remove(following)
    return tied


def _check_unmoved(
    called: Sequence[str], views: Sequence[View], names: Sequence[Sequence[tuple[int | None, ...]]]
) -> None:
    """Refuse sheets that lie differently to each other in two photos."""
    worst = (0.0, "")
    for (i, a), (j, b) in combinations(enumerate(views), 2):
        shared = [n for n in names[i] if n in names[j]]
        for first, second in combinations(shared, 2):
            at = [(names[k].index(first), names[k].index(second)) for k in (i, j)]
            moved, sigma = _apart(a, at[0], b, at[1])
            if moved > max(MOVED_MM, SURE * sigma, worst[0]):
                pair = " and ".join(a.sightings[k].sheet.name for k in at[0])
                where = f"in “{called[i]}” and “{called[j]}”"
                worst = (moved, f"{pair} lie {moved:.1f} mm differently to each other {where}")
    if worst[1]:
        raise SheetError(
            f"something moved between the photos: {worst[1]} (limit {MOVED_MM:.1f} mm)",
            "photograph again without touching bench, sheets or part, or trace each photo by itself",
        )


def _apart(a: View, at_a: tuple[int, int], b: View, at_b: tuple[int, int]) -> tuple[float, float]:
    """How far (mm) the second of two sheets lies from where the other photo has it against the first, and its sigma.

    The two photos' frames are laid on each other so that both sheets together fit best.
    """
    lines = []
    for view, at in ((a, at_a), (b, at_b)):
        corners = [
            view.bench_from_sheet(k, [[0.0, 0.0], [w, 0.0], [w, -h], [0.0, -h]])
            for k, (w, h) in ((k, view.sightings[k].sheet.size) for k in at)
        ]
        lines.append(np.vstack(corners))
    p, q = (line - line.mean(axis=0) for line in lines)
    turn = math.atan2(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()), float((p * q).sum()))
    off = np.linalg.norm(moved_points(p, turn) - q, axis=1)
    variance = 0.0
    for view, line in zip((a, b), lines, strict=True):
        ends = view.image_from_bench(line[[0, 4]])
        variance += float(view.length_sigma(ends[:1], ends[1:])[0]) ** 2
    return 2.0 * float(off.max()), math.sqrt(variance)


def _together(
    photos: Sequence[Seen],
    alone: Sequence[View],
    names: Sequence[Sequence[tuple[int | None, ...]]],
    lens: LensProfile | None,
) -> list[View]:
    kinds = list(dict.fromkeys(p.kind for p in photos))
    places = list(dict.fromkeys(n for each in names for n in each))
    priors = [_prior(photos, alone, kind, lens) for kind in kinds]
    sightings = [s for view in alone for s in view.sightings]
    layout = Layout(
        photos=tuple(k for k, view in enumerate(alone) for _ in view.sightings),
        places=tuple(places.index(n) for each in names for n in each),
        lenses=tuple(kinds.index(p.kind) for p in photos),
        terms=len(priors[0].mean),
    )
    start = np.zeros(layout.size)
    for k, prior in enumerate(priors):
        start[layout.lens(k)] = prior.mean
    held = lay_out(start, layout, sightings, [p.size for p in photos])
    own = [place for view in alone for place in view.places]
    resized, loose = np.zeros(len(places), dtype=bool), FLATNESS_MM
    for place, k in zip(own, layout.places, strict=True):
        resized[k] |= place.log_scale != 0.0
        loose = LOOSE_MM if np.abs(place[ARCHES]).max() > 4 * FLATNESS_MM else loose
    resized[list(held)] = False
    found = solve_together(start, layout, sightings, priors, held, resized, loose)
    scale_sigma = max(view.scale_sigma for view in alone)
    ends = np.cumsum([0, *(sum(len(s.ids) for s in view.sightings) for view in alone)])
    return [
        view_of(_part(found, layout, k, slice(*ends[k : k + 2])), view.sightings, photo.size, scale_sigma)
        for k, (photo, view) in enumerate(zip(photos, alone, strict=True))
    ]


def _prior(
    photos: Sequence[Seen], alone: Sequence[View], kind: tuple[object, ...], lens: LensProfile | None
) -> LensPrior:
    """What is known beforehand of the lens of the photos of one kind."""
    first = next(k for k, p in enumerate(photos) if p.kind == kind)
    if lens is None:
        return guessed_lens(photos[first].size, photos[first].focal_px, FOCAL_SIGMA)
    centre = np.array(alone[first].camera.centre)
    return min(profiled_lens(lens, photos[first].size), key=lambda p: float(np.linalg.norm(p.mean[2:4] - centre)))


def _part(found: Fit, layout: Layout, photo: int, rows: slice) -> Fit:
    """What a joint fit says of one photo, whose grid points are its ``rows``, as a fit of that photo alone would."""
    places = [place for p, place in zip(layout.photos, layout.places, strict=True) if p == photo]
    columns = layout.columns(photo, places)
    parameters, covariance = found.parameters[columns], found.covariance[np.ix_(columns, columns)]
    return Fit(parameters, covariance, found.residuals[rows], found.weights[rows], found.factor, found.misfit)
