"""From a contour to an outline: the fewest fair pieces that the noise allows."""

from digitize.fitting.chain import FitQuality, fit_outline

__all__ = ["FitQuality", "fit_outline"]
