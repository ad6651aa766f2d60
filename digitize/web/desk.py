"""What lies on the desk: photos and patterns that are open, each with every state it has been brought to.

All of it is in memory; what is to last is kept in the catalogue.
"""

from __future__ import annotations

import io
import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from digitize.compare.compare import Comparison
from digitize.draft import Draft, Sight
from digitize.files import photo_from
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Points
from digitize.shop.plan import Plan
from digitize.vision.photo import Photo
from digitize.web.guard import Refused

MOST_OPEN = 12
MOST_UNDO = 200


@dataclass(frozen=True)
class Shot:
    """A photo as it was sent, under the name it had, and its tiles; ``size`` is width and height, px, upright."""

    name: str
    data: bytes
    size: tuple[int, int]
    tiles: Mapping[tuple[int, int, int], bytes]


@dataclass(frozen=True)
class Seen:
    """What a tracing told that is not in its pattern: sheets as they lie in the photo (px), advice, the wood's figure.

    grain_deg : of the figure, in the pattern's frame; None where the photo shows none
    """

    sheets: tuple[tuple[str, Points, Points], ...]
    advice: str
    grain_deg: float | None


@dataclass(frozen=True)
class Made:
    """How a work's present state was rebuilt: in words, and of which outlines, as they lie in its frame."""

    words: tuple[str, ...]
    before: tuple[Outline, ...]


@dataclass
class Work:
    """One thing on the desk. Its ``lock`` is held by whoever changes it."""

    name: str
    shot: Shot | None = None
    sight: Sight | None = None
    seen: Seen | None = None
    told: Mapping[str, Any] = field(default_factory=dict)
    stem: str | None = None
    drafts: list[Draft] = field(default_factory=list)
    at: int = -1
    kept: Draft | None = None
    plan: Plan | None = None
    comparison: Comparison | None = None
    made: Made | None = None
    ident: str = field(default_factory=lambda: secrets.token_urlsafe(12))
    lock: threading.RLock = field(default_factory=threading.RLock)

    @property
    def draft(self) -> Draft:
        """As it is now; raises Refused where nothing was traced yet."""
        if self.at < 0:
            raise Refused(409, "Nothing was traced in this photo yet", "trace it first")
        return self.drafts[self.at]

    @property
    def pattern(self) -> Pattern:
        return self.draft.pattern

    @property
    def is_kept(self) -> bool:
        """Whether nothing is lost with it: its present state is kept, or there is none."""
        return self.at < 0 or self.draft is self.kept

    def photo(self) -> Photo:
        """The photo anew, since its pixels are not held; raises Refused where there is none."""
        if self.shot is None:
            raise Refused(409, "There is no photo here", "choose a photo first")
        return photo_from(io.BytesIO(self.shot.data), self.shot.name)

    def begin(self, draft: Draft) -> None:
        """A first state; what was before is forgotten."""
        self.drafts, self.at = [draft], 0
        self._forget()

    def put(self, draft: Draft) -> None:
        """A further state; what had been undone is forgotten."""
        self.drafts = [*self.drafts[: self.at + 1], draft][-MOST_UNDO:]
        self.at = len(self.drafts) - 1
        self._forget()

    def step(self, by: int) -> None:
        """Back (-1) or forward (1) among the states, as far as there are any."""
        self.at = min(max(self.at + by, 0), len(self.drafts) - 1)
        self._forget()

    def _forget(self) -> None:
        """What was made of the state before, or told of it, does not go with another."""
        self.plan = self.comparison = self.made = None

    def to_stage(self, points: npt.ArrayLike, draft: Draft | None = None) -> Points:
        """Points (N, 2) of the pattern's frame as they lie on the page's stage: photo px from the upper left with y up,
        or mm where there is no photo."""
        here = np.asarray(points, dtype=float).reshape(-1, 2)
        if self.sight is None:
            return here
        return on_stage(self.sight.photo_from_pattern(here, (draft or self.draft).pattern.thickness_mm))

    def from_stage(self, points: npt.ArrayLike) -> Points:
        here = np.asarray(points, dtype=float).reshape(-1, 2)
        if self.sight is None:
            return here
        return self.sight.pattern_from_photo(off_stage(here), self.pattern.thickness_mm)


def on_stage(px: Points) -> Points:
    """Photo points (N, 2), centres of pixels at integers, as distances from the photo's upper left, y up."""
    return np.stack([px[:, 0] + 0.5, -px[:, 1] - 0.5], axis=1)


def off_stage(places: Points) -> Points:
    """The photo points (N, 2) of places on the stage."""
    return np.stack([places[:, 0] - 0.5, -places[:, 1] - 0.5], axis=1)


class Desk:
    """The open works, the least recently used first; of too many that one is closed, if it can be a kept one."""

    def __init__(self) -> None:
        self._works: OrderedDict[str, Work] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, work: Work) -> Work:
        with self._lock:
            self._works[work.ident] = work
            while len(self._works) > MOST_OPEN:
                others = [w for w in self._works.values() if w is not work]
                del self._works[next((w for w in others if w.is_kept), others[0]).ident]
        return work

    def get(self, ident: str) -> Work:
        """Raises Refused where it is not open."""
        with self._lock:
            if ident not in self._works:
                raise Refused(404, "That is not on the desk any more", "open it again")
            self._works.move_to_end(ident)
            return self._works[ident]

    def close(self, ident: str) -> None:
        with self._lock:
            self._works.pop(ident, None)

    @property
    def works(self) -> list[Work]:
        with self._lock:
            return list(self._works.values())
