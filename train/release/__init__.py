"""Old networks beside new ones on the same pages, and whether the new may take the old one's place.

Differences have intervals by scroll; promotion, its registry and the way back stand here too.
"""

from __future__ import annotations
