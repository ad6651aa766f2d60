"""From placed pieces to one outline: free edges in travel order, carried on fairly across every fracture.

Every fracture comes out at two ends; at each, the travel leaves one piece and enters another. Following the edges from
end to end gives closed chains: the outer loop, and a hole wherever fractures ran into one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Stretch
from digitize.model.segment import Segment, part
from digitize.rebuild.bridge import CLEAR_MM, bridged, merged
from digitize.rebuild.contact import Contact
from digitize.rebuild.ends import End
from digitize.rebuild.match import Piece, Placement

NEAR_MM = 0.5  # of an edge beside a fracture across which it does not go on
NEAR_JOINT_MM = 1.5
CHIP_MM, CHIP_RAD = 2.5, math.radians(15.0)  # a last segment so short that turns by more is part of the fracture
SHORTEST_MM = 6.0  # a gap between fractures with no longer edge round it is where they meet


@dataclass(frozen=True)
class Fracture:
    """Pieces i and j along a contact; ends : where the travel goes from i to j, and where from j back to i."""

    i: int
    j: int
    contact: Contact
    ends: tuple[End, End]

    def leaving(self, piece: int) -> End:
        return self.ends[0] if piece == self.i else self.ends[1]

    def entering(self, piece: int) -> End:
        return self.ends[1] if piece == self.i else self.ends[0]


@dataclass(frozen=True)
class Assembled:
    """One outline, where it is invented, and how the edges were carried on at each end of a fracture."""

    outline: Outline
    invented: tuple[Stretch, ...]
    kinds: tuple[str, ...]


def assembled(pieces: Sequence[Piece], at: Sequence[Placement], fractures: Sequence[Fracture]) -> Assembled:
    """The pieces as one outline.

    Raises ValueError where the edges do not close to an outline.
    """
    chains = [closed(c) for c in _chains(pieces, at, fractures) if c]
    chains.sort(key=lambda c: -abs(c[0].area))
    if not chains:
        raise ValueError("the edges of the pieces do not close")
    own = [h.moved(p.turn, p.shift) for piece, p in zip(pieces, at, strict=True) for h in piece.outline.holes]
    outline = Outline(chains[0][0], tuple(loop for loop, _, _ in chains[1:]) + tuple(own))
    invented = tuple(Stretch(k, *s) for k, (_, stretches, _) in enumerate(chains) for s in stretches)
    return Assembled(outline, invented, tuple(kind for _, _, kinds in chains for kind in kinds))


def _chains(
    pieces: Sequence[Piece], at: Sequence[Placement], fractures: Sequence[Fracture]
) -> list[list[tuple[tuple[Segment, ...], float]]]:
    """For every closed chain its free edges, in the common frame and in travel order.

    With each goes how much of it, mm, is not to be trusted next to the fracture that follows.
    """
    following: dict[tuple[int, int], int] = {}  # (piece, fracture) -> the next fracture along that piece
    for k, piece in enumerate(pieces):
        mine = [n for n, f in enumerate(fractures) if k in (f.i, f.j)]
        mine.sort(key=lambda n: fractures[n].leaving(k).leaves % piece.path.length)
        following |= {(k, n): after for n, after in zip(mine, mine[1:] + mine[:1], strict=True)}
    chains, waiting = [], set(following)
    while waiting:
        first = state = min(waiting)
        chain = []
        while True:  # a state is "piece k has been entered at the end of fracture n"
            waiting.discard(state)
            k, n = state
            onward = following[state]
            leaving = fractures[onward].leaving(k)
            edge = _free(pieces[k], at[k], fractures[n].entering(k).enters, leaving.leaves)
            chain.append((edge, CLEAR_MM if leaving.fair else NEAR_MM))
            state = (leaving.after, onward)
            if state == first:
                break
        lengths = [math.fsum(s.length for s in edge) for edge, _ in chain]
        if max(lengths) >= SHORTEST_MM:
            chains.append([(edge, clear) for edge, clear in chain if edge])
    return chains


def _free(piece: Piece, at: Placement, enters: float, leaves: float) -> tuple[Segment, ...]:
    """The edge of a piece from one fracture to the next; () where the two are one place."""
    length = (leaves - enters) % piece.path.length
    if length < NEAR_MM or length > piece.path.length - SHORTEST_MM:
        return ()
    edge = list(piece.path.cut(_at_joint(piece, enters), _at_joint(piece, leaves)))
    if len(edge) > 1 and edge[0].length < CHIP_MM and _turns(edge[0], edge[1]):
        edge.pop(0)
    if len(edge) > 1 and edge[-1].length < CHIP_MM and _turns(edge[-2], edge[-1]):
        edge.pop()
    return tuple(s.moved(at.turn, at.shift) for s in edge)


def _turns(a: Segment, b: Segment) -> bool:
    return float(a.tangent(1.0)[0] @ b.tangent(0.0)[0]) < math.cos(CHIP_RAD)


def _at_joint(piece: Piece, s: float) -> float:
    """The nearest joint of two segments, if there is one within reach of s: samples tell a corner only roughly."""
    ends = piece.path.ends
    away = (ends - s + piece.path.length / 2) % piece.path.length - piece.path.length / 2
    k = int(np.abs(away).argmin())
    return float(ends[k]) if abs(away[k]) < NEAR_JOINT_MM else s


def closed(free: list[tuple[tuple[Segment, ...], float]]) -> tuple[Loop, list[tuple[float, float]], list[str]]:
    """A loop of edges, bridged in order, the stretches of it that are invented (mm along it), and each bridge's kind.

    It is begun within an edge, at a joint where there is one, so that every bridge has whole edges to either side.
    """
    first = max(range(len(free)), key=lambda k: len(free[k][0]) > 1)
    edges = [edge for edge, _ in (*free[first:], *free[:first])]
    clear = [mm for _, mm in (*free[first:], *free[:first])]
    begin, rest = _halves(edges[0])
    chain, stretches, kinds = list(rest), [], []
    for edge, mm in zip((*edges[1:], begin), clear, strict=True):
        b = bridged(chain, edge, mm)
        s = math.fsum(x.length for x in b.before)
        stretches.append((s + b.invented[0], s + b.invented[1]))
        kinds.append(b.kind)
        chain = [*b.before, *b.middle, *b.after]
    whole = merged(chain[-1], chain[0]) if len(edges[0]) == 1 and len(chain) > 2 else None
    if whole:
        lost, length = chain[0].length, math.fsum(x.length for x in chain)
        chain = [*chain[1:-1], whole]
        stretches = [((a - lost) % length, (b - lost) % length) for a, b in stretches]
    return Loop(tuple(chain)), stretches, kinds


def _halves(edge: tuple[Segment, ...]) -> tuple[tuple[Segment, ...], tuple[Segment, ...]]:
    """An edge in two: at the joint next to its middle, or within its only segment."""
    if len(edge) == 1:
        return (part(edge[0], 0.0, 0.5),), (part(edge[0], 0.5, 1.0),)
    lengths = np.cumsum([s.length for s in edge])
    k = 1 + int(np.abs(lengths[:-1] - lengths[-1] / 2).argmin())
    return edge[:k], edge[k:]
