"""Messages to the user on the terminal."""

from __future__ import annotations

import sys


def print_error(text: object) -> None:
    """One sentence on stderr, with the program's name before it."""
    print(f"crownlet: {text}", file=sys.stderr)
