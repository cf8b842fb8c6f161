"""Geometric evidence: levels, gaps, lengths and heights of a letter's parts in kulmus and mm.

Taken from part masks and ink, beside the networks; letters on which they disagree are reviewed.
"""

from crownlet.infer.measuring.measurement import Measurement, Says
from crownlet.infer.measuring.table import read_measures, write_measures

__all__ = ["Measurement", "Says", "read_measures", "write_measures"]
