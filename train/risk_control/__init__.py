"""Thresholds with a promise: bounds over scrolls, tests in a fixed order, evidence, writing.

The unit is the scroll (the hand): letters of one hand err together.
"""

from __future__ import annotations
