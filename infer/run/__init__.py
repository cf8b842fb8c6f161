"""A finished run read back from its folder: pages, scrolls, pixels and crops.

The triage sheet, the review page and the survey all start here, never from the networks.
"""

from crownlet.infer.run.opening import Run, StoredScroll, open_run
from crownlet.infer.run.pages import StoredPage
from crownlet.infer.run.tables import RunError

__all__ = ["Run", "RunError", "StoredPage", "StoredScroll", "open_run"]
