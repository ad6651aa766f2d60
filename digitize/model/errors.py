"""What can go wrong, in words a person at the bench can act on.

    DigitizeError
     +- InputError    an argument, a length, a file that is not what was asked for
     +- PhotoError    the photo cannot be read or is too poor to measure in
     +- SheetError    no sheet found, or sheets that cannot belong to one flat bench
     +- PartError     the part cannot be told from the bench, or leaves the frame
     +- FileError     a file of ours is damaged, newer than we know, or in the way

A :class:`Caveat` is the milder kind: the result stands, and this is what to know about it.
"""

from dataclasses import dataclass


class DigitizeError(Exception):
    """A job that cannot be done.

    Parameters
    ----------
    problem : what is wrong, with the measured number and its limit
    remedy : what to do about it at the bench
    """

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem}: {remedy}.")
        self.problem = problem
        self.remedy = remedy


class InputError(DigitizeError):
    """An argument or an input file is not what it should be."""


class PhotoError(DigitizeError):
    """The photo cannot be read, or is too poor to measure in."""


class SheetError(DigitizeError):
    """No sheet was found, or the sheets do not agree with one flat bench."""


class PartError(DigitizeError):
    """The part cannot be told from the bench, or leaves the photo."""


class FileError(DigitizeError):
    """A file of ours is damaged, of a newer version, missing or in the way."""


@dataclass(frozen=True)
class Caveat:
    """Something to know about a result that still stands: what was seen, and what to do about it.

    size_ppm, edge_px : standard uncertainties that it adds to every length, and to the place of every edge
    """

    problem: str
    remedy: str
    size_ppm: float = 0.0
    edge_px: float = 0.0

    def __str__(self) -> str:
        return f"{self.problem}: {self.remedy}."
