"""The subcommands of `crownlet`, one a file: each adds its own arguments and says its own errors.

`cli.py` gathers them and turns their results into exit codes. A module here must be cheap to
import: `crownlet --help` loads all of them, so what costs time is imported when a command runs.
"""

from __future__ import annotations

DONE, SOME_FAILED, WRONG_USAGE = 0, 1, 2
"""Exit codes: done; some pages failed, each named on stderr; wrong usage."""
