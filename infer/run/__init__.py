"""A finished run read back from its folder: pages, scrolls, pixels and crops.

The triage sheet, the review page and the survey all start here, never from the networks.
"""

from __future__ import annotations

__all__ = ["Run", "RunError", "StoredPage", "StoredScroll", "open_run"]
