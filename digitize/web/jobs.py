"""Long work beside the page: a few jobs, one at a time, each with its progress, and each can be stopped."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from digitize.model.errors import DigitizeError
from digitize.vision.trace import Progress
from digitize.web.words import spoken

MOST_WAITING = 8
MOST_KNOWN = 100  # finished ones whose outcome can still be asked for
POLL_S = 0.05  # between two looks at a job
QUIET_S = 15.0  # after which a silent stream says that it is still there
ENDS = ("done", "failed", "cancelled")


@dataclass(frozen=True)
class State:
    """waiting, running, done, failed or cancelled; the step, and how much is done, 0 .. 1; what went wrong."""

    state: str = "waiting"
    step: str = "waiting"
    done: float = 0.0
    problem: str = ""
    remedy: str = ""

    @property
    def ended(self) -> bool:
        return self.state in ENDS


class Stopped(Exception):
    """Raised inside a job's work when it has been cancelled."""


class Job:
    """One piece of work; ``state`` is replaced as a whole, so any thread may read it.

    of : what on the desk is worked on; gives : what its results will be known as, where that is something new
    """

    def __init__(self, of: str, gives: str | None = None) -> None:
        self.ident = secrets.token_urlsafe(12)
        self.of, self.gives = of, gives
        self.state = State()
        self._stop = threading.Event()

    def cancel(self) -> None:
        """Stops at the next step; its results are not taken."""
        self._stop.set()
        if not self.state.ended:
            self.state = replace(self.state, state="cancelled")

    def progress(self, step: str, done: float) -> None:
        if self._stop.is_set():
            raise Stopped
        self.state = State("running", step, done)

    def run(self, work: Callable[[Progress], None]) -> None:
        try:
            self.progress("beginning", 0.0)
            work(self.progress)
            self.progress("done", 1.0)
            self.state = State("done", "done", 1.0)
        except Stopped:
            self.state = State("cancelled", "stopped", self.state.done)
        except DigitizeError as error:
            self.state = State("failed", "", 0.0, spoken(error.problem), spoken(error.remedy))
        except Exception as error:  # whatever went wrong, the page is told and goes on
            told = f"Something unexpected went wrong ({type(error).__name__}: {error})"
            self.state = State("failed", "", 0.0, told, "please report it")


class Jobs:
    """All jobs, by their names."""

    def __init__(self) -> None:
        self._known: OrderedDict[str, Job] = OrderedDict()
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="job")

    def start(self, work: Callable[[Progress], None], of: str, gives: str | None = None) -> Job | None:
        """The job that was begun, or None where too many wait already."""
        with self._lock:
            if sum(not job.state.ended for job in self._known.values()) >= MOST_WAITING:
                return None
            job = Job(of, gives)
            self._known[job.ident] = job
            while len(self._known) > MOST_KNOWN:
                self._known.popitem(last=False)
        self._worker.submit(job.run, work)
        return job

    def get(self, ident: str) -> Job | None:
        return self._known.get(ident)

    def begun(self, of: str) -> Job | None:
        """The last one on this thing that has not ended yet."""
        with self._lock:
            return next((job for job in reversed(self._known.values()) if job.of == of and not job.state.ended), None)

    def close(self) -> None:
        for job in list(self._known.values()):
            job.cancel()
        self._worker.shutdown(wait=False, cancel_futures=True)


async def told(state: Callable[[], State]) -> AsyncIterator[str]:
    """A job's states as server-sent events (WHATWG HTML, 9.2; from memory), until it has ended."""
    last, quiet = None, 0.0
    while last is None or not last.ended:
        now = state()
        if now != last:
            last, quiet = now, 0.0
            values = {k: getattr(now, k) for k in ("state", "step", "done", "problem", "remedy")}
            yield f"data: {json.dumps(values)}\n\n"
        elif quiet > QUIET_S:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(POLL_S)
        quiet += POLL_S
