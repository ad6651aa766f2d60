"""Broken pieces back together: how they belong is found, all are placed at once, and one outline is made of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from shapely import affinity

from digitize.model.errors import Caveat, InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Stretch
from digitize.rebuild.affine import mirror_matrix, transformed
from digitize.rebuild.assemble import Fracture, assembled
from digitize.rebuild.contact import contacts, touching
from digitize.rebuild.ends import end_of
from digitize.rebuild.joints import JointReport, caveats_of, opening, report_of
from digitize.rebuild.match import Piece, Placement, evidence, placements
from digitize.rebuild.settle import Settled, settled

LOST_MM = 3.0  # depth of a splinter that may be missing, unless told
MOST_LOST_MM = 10.0
REACH, REACH_MM = 4.0, 2.0  # from a contact's end to the corner where the edge begins: times a splinter, and more
TRIED = 12  # placements of two pieces that are refined
NEAR_MM = (0.25, 0.4)  # a gap or overlap is contact up to so much, by
NEAR_SIGMAS = 3.0  # of the gaps' scatter
ROUGH_RAD = 4.0  # a fracture that turns to and fro by so much is its own proof
ROUGH_MM = 12.0  # over at least so much edge
OVERLAP_MM = 0.6  # mean depth by which joined pieces may cover each other, from fits and worn edges
SURE = 10.0  # evidence that no false joint reached on snapped panels (8.3 at most; true jagged ones began at 12)
TURNED_OVER = 1.3  # times the evidence of the piece as it lies, to say that it was turned over
RIVAL = 0.75  # of the evidence: another way to join that is as good as this is told
HOME = Placement(0.0, (0.0, 0.0))


@dataclass(frozen=True)
class Proposal:
    """A way to join pieces i and j.

    at : j laid against i; evidence : how much speaks for it; rough : whether the fracture is its own proof
    believable : whether it may be a joint at all
    """

    i: int
    j: int
    at: Placement
    evidence: float
    rough: bool
    believable: bool


@dataclass(frozen=True)
class Joined:
    """The rebuilt outline, in the first piece's frame.

    at : where each piece lies in it; invented : stretches no edge was measured for
    joints : one for each fracture; ways : how many ways to join there are that are about as good
    """

    outline: Outline
    invented: tuple[Stretch, ...]
    at: tuple[Placement, ...]
    joints: tuple[JointReport, ...]
    caveats: tuple[Caveat, ...]
    ways: int


def joined(outlines: Sequence[Outline], lost: float = LOST_MM, way: int = 1) -> Joined:
    """Pieces of one broken part as one outline.

    lost : mm, depth of splinters that may be missing along the fractures
    way : which of the ways to join, 1 the likeliest, where two pieces fit in several

    Raises InputError where the pieces do not belong together, one is turned over, or there is only one.
    """
    if len(outlines) < 2:
        raise InputError(
            "Only one piece was found and two or more are joined",
            "lay the pieces at least 10 mm apart, all in full view, or name several photos or pattern files",
        )
    pieces = [Piece.of(o) for o in outlines]
    proposals = _proposals(pieces, lost)
    chosen = _tree(pieces, proposals, ())
    rivals = max((_ways((p.i, p.j), proposals) for p in chosen), key=len, default=[])
    if way > max(1, len(rivals)):
        raise InputError(f"Way {way} was asked for and the pieces fit in {len(rivals)}", "give a smaller number")
    chosen = _tree(pieces, proposals, rivals[: way - 1]) if way > 1 else chosen
    placed = [p for p in _placed(len(pieces), chosen) if p is not None]
    _check_turned_over(pieces, chosen, proposals, lost)
    if len(placed) < len(pieces):
        raise _stranger(pieces, chosen)
    result, fractures = _settled(pieces, placed, chosen, lost)
    try:
        whole = assembled(pieces, result.at, fractures)
    except ValueError as error:
        raise InputError(
            f"The pieces touch, but their edges make no outline ({error})",
            "trace the pieces again, or allow larger splinters to be missing (--lost)",
        ) from error
    joints = tuple(report_of(f, result) for f in fractures)
    plain = not all(p.rough for p in chosen)
    open_mm = max(opening(pieces, result, e) for f in fractures for e in f.ends)
    caveats = caveats_of(joints, plain, open_mm, len(rivals), way)
    return Joined(whole.outline, whole.invented, result.at, joints, caveats, max(1, len(rivals)))


def _check_turned_over(
    pieces: Sequence[Piece], chosen: Sequence[Proposal], proposals: Sequence[Proposal], lost: float
) -> None:
    """Raises InputError where a piece without a sure fracture would have a far better one when turned over."""
    tied = _groups(len(pieces), [p for p in chosen if p.rough and p.evidence >= SURE])
    for j in range(1, len(pieces)):
        if tied[j] == tied[0]:
            continue
        flipped = Piece.of(transformed(pieces[j].outline, mirror_matrix(0.0)))
        for i in range(len(pieces)):
            if tied[i] == tied[j]:
                continue
            straight = max((p.evidence for p in proposals if {p.i, p.j} == {i, j}), default=0.0)
            mirrored = [p for p in _pair([pieces[i], flipped], 0, 1, lost) if p.rough and p.believable]
            if mirrored and mirrored[0].evidence > TURNED_OVER * straight:
                raise InputError(
                    f"Piece {j + 1} fits piece {i + 1} only when one of them is turned over",
                    f"turn it over and trace it again, or give --flip {j + 1}",
                )


def _stranger(pieces: Sequence[Piece], chosen: Sequence[Proposal]) -> InputError:
    """What to say of pieces that nothing ties to the others."""
    groups = _groups(len(pieces), chosen)
    alone = [k + 1 for k, g in enumerate(groups) if groups.count(g) == 1] or [k + 1 for k, g in enumerate(groups) if g]
    names = ", ".join(map(str, alone)) if len(pieces) > 2 else "1 and 2"
    return InputError(
        f"No edge of piece{'s' if len(alone) > 1 or len(pieces) == 2 else ''} {names} fits the others: no fracture "
        f"and no two edges that go on across one were found",
        "check that the pieces belong together, clean the fracture and trace again, or allow larger splinters (--lost)",
    )


def _proposals(pieces: Sequence[Piece], lost: float) -> list[Proposal]:
    """Every way to lay two pieces together that was found, the likeliest first."""
    found = [p for i, j in combinations(range(len(pieces)), 2) for p in _pair(pieces, i, j, lost)]
    return sorted(found, key=lambda p: -p.evidence)


def _pair(pieces: Sequence[Piece], i: int, j: int, lost: float) -> list[Proposal]:
    two = (pieces[i], pieces[j])
    found: list[Proposal] = []
    seen: list[Placement] = []
    for guess in placements(*two, most=TRIED):
        result = settled(two, (HOME, guess), [(0, 1)])
        if any(_same(result.at[1], old, two[1]) for old in seen):
            continue
        seen.append(result.at[1])
        fractures = _fractures(two, (0, 1), result, lost)
        if fractures:
            ends = [e for f in fractures for e in f.ends]
            result = settled(two, result.at, [(0, 1)], ends)
            fractures = _fractures(two, (0, 1), result, lost)
        if not fractures:
            continue
        new = _weighed(two, (i, j), result.at[1], fractures)
        if not any(_same(new.at, old.at, two[1]) for old in found):
            found.append(new)
    return found


def _fractures(pieces: Sequence[Piece], pair: tuple[int, int], result: Settled, lost: float) -> list[Fracture]:
    """The fractures between two placed pieces, with the ends at which they come out."""
    i, j = pair
    a, b, at = pieces[i], pieces[j], (result.at[i], result.at[j])
    near = float(np.clip(NEAR_SIGMAS * result.sigma_mm, *NEAR_MM))
    reach = REACH * lost + REACH_MM
    found = []
    for c in contacts(a, b, touching(a, b, *at), near, lost):
        there = end_of((a, b), at, (i, j), (c.a[0], c.b[1]), reach)
        back = end_of((b, a), at[::-1], (j, i), (c.b[0], c.a[1]), reach)
        found.append(Fracture(i, j, c, (there, back)))
    return found


def _weighed(two: tuple[Piece, Piece], names: tuple[int, int], at: Placement, fractures: list[Fracture]) -> Proposal:
    length = sum(f.contact.length_mm for f in fractures)
    rough = sum(f.contact.roughness for f in fractures)
    fair = sum(e.fair for f in fractures for e in f.ends)
    laid = affinity.affine_transform(
        two[1].outline.polygon(0.02),
        [math.cos(at.turn), -math.sin(at.turn), math.sin(at.turn), math.cos(at.turn), *at.shift],
    )
    depth = two[0].outline.polygon(0.02).intersection(laid).area / max(length, 1.0)
    believable = depth < OVERLAP_MM and (
        (rough >= ROUGH_RAD and length >= ROUGH_MM) or fair >= 2 or (rough >= ROUGH_RAD / 2 and fair >= 1)
    )
    weight = float(evidence(np.array(rough), np.array(fair), np.array(length)))
    return Proposal(*names, at, weight, rough >= ROUGH_RAD, believable)


def _same(a: Placement, b: Placement, piece: Piece) -> bool:
    corners = piece.points[[0, len(piece.points) // 3, 2 * len(piece.points) // 3]]
    return bool(np.linalg.norm(a.moved(corners) - b.moved(corners), axis=1).max() < 2.0)


def _ways(pair: tuple[int, int], proposals: Sequence[Proposal]) -> list[Proposal]:
    """The believable ways to join two pieces that are about as good as the best of them."""
    ways = [p for p in proposals if (p.i, p.j) == pair and p.believable]
    return [p for p in ways if p.evidence >= RIVAL * ways[0].evidence]


def _tree(pieces: Sequence[Piece], proposals: Sequence[Proposal], passed_over: Sequence[Proposal]) -> list[Proposal]:
    """The likeliest proposals that tie all pieces together without covering each other."""
    chosen: list[Proposal] = []
    for p in proposals:
        groups = _groups(len(pieces), chosen)
        if p.believable and p not in passed_over and groups[p.i] != groups[p.j] and _lie_free(pieces, [*chosen, p]):
            chosen.append(p)
    return chosen


def _groups(count: int, chosen: Sequence[Proposal]) -> list[int]:
    group = list(range(count))
    for p in chosen:
        old, new = group[p.j], group[p.i]
        group = [new if g == old else g for g in group]
    return group


def _placed(count: int, chosen: Sequence[Proposal], home: int = 0) -> list[Placement | None]:
    """Where each piece lies by the proposals, the piece ``home`` as it is; None where nothing ties it to that."""
    at: list[Placement | None] = [None] * count
    at[home] = HOME
    for _ in range(count):
        for p in chosen:
            here, there = at[p.i], at[p.j]
            if here is not None and there is None:
                at[p.j] = p.at.within(here)
            elif there is not None and here is None:
                turn = there.turn - p.at.turn
                back = Placement(turn, (0.0, 0.0)).moved(np.asarray(p.at.shift))
                at[p.i] = Placement(turn, (float(there.shift[0] - back[0]), float(there.shift[1] - back[1])))
    return at


def _lie_free(pieces: Sequence[Piece], chosen: Sequence[Proposal]) -> bool:
    """Whether pieces that are tied together, but not by a proposal of their own, keep off each other."""
    at = _placed(len(pieces), chosen, chosen[-1].i)
    tied = {(p.i, p.j) for p in chosen}
    laid = {
        k: affinity.translate(affinity.rotate(pieces[k].outline.polygon(0.05), p.turn, (0, 0), True), *p.shift)
        for k, p in enumerate(at)
        if p is not None
    }
    return all(
        laid[i].intersection(laid[j]).area < OVERLAP_MM * math.sqrt(min(laid[i].area, laid[j].area))
        for i, j in combinations(sorted(laid), 2)
        if (i, j) not in tied
    )


def _settled(
    pieces: Sequence[Piece], at: list[Placement], chosen: Sequence[Proposal], lost: float
) -> tuple[Settled, list[Fracture]]:
    """All pieces placed at once, by every fracture between any two of them."""
    pairs = [(p.i, p.j) for p in chosen]
    result = settled(pieces, at, pairs)
    if len(pieces) > 2:
        others = [p for p in combinations(range(len(pieces)), 2) if p not in pairs]
        pairs += [p for p in others if _fractures(pieces, p, result, lost)]
    fractures = [f for p in pairs for f in _fractures(pieces, p, result, lost)]
    result = settled(pieces, result.at, pairs, [e for f in fractures for e in f.ends])
    return result, [f for p in pairs for f in _fractures(pieces, p, result, lost)]
