"""What deserves a look, as one ordered list: from letters, whites, text and layout of a page.

Headings come from the catalogue's sources and the user's customs; nothing here rules.

One place is listed once. Its `kind` is the gravest thing said of it, what else is said of it stands
in `others`, so that an examiner who holds the parchment turns to each place a single time. A doubt
that is graver than what was surely found is a place to review of its own.
"""

from crownlet.infer.findings.collecting import findings_of
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading
from crownlet.infer.findings.tables import read_findings, write_findings

__all__ = ["HEADINGS", "Finding", "Heading", "findings_of", "read_findings", "write_findings"]
