"""Risk control: thresholds whose mean loss over scrolls stays below a limit with confidence.

The unit is the scroll (the hand): errors on letters of one hand are correlated.
"""

from __future__ import annotations
