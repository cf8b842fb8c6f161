"""The subcommands of `crownlet`, one per file: each adds its arguments and prints its errors.

`cli.py` gathers them and turns their results into exit codes. A module here must be cheap to
import: `crownlet --help` loads all of them, so slow imports stand in the functions that run a
command.
"""

from __future__ import annotations

DONE, SOME_FAILED, WRONG_USAGE = 0, 1, 2
"""Exit codes: done; some pages failed, each named on stderr; wrong usage."""
