"""Release: new networks compared with those in use on the same pages, and their promotion.

Differences have intervals by scroll; promotion, its store of versions and the return
to an earlier one stand here too.
"""

from __future__ import annotations
