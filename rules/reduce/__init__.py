"""From the samples of a day to its features: the only code that sees samples."""

from rules.reduce.days import reduce_days
from rules.reduce.frame import reference_frame

__all__ = ["reduce_days", "reference_frame"]
