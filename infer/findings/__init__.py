"""What deserves a look, as one ordered list: from letters, whites, text and layout of a page.

Headings come from the catalogue's sources and the user's customs; nothing here rules.

One place is listed once. Its `kind` is the gravest thing said of it, what else is said of it stands
in `others`, so that an examiner who holds the parchment turns to each place a single time. A doubt
that is graver than what was surely found is a place to review of its own.
"""

from __future__ import annotations

__all__ = ["HEADINGS", "Finding", "Heading", "findings_of", "read_findings", "write_findings"]
