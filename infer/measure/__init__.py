"""Geometric evidence: levels, gaps, lengths and heights of a letter's parts in kulmus and mm.

Taken from part masks and ink, beside the networks; letters on which they disagree are reviewed.
"""

from __future__ import annotations

__all__ = ["Measurement", "Says", "read_measures", "write_measures"]
