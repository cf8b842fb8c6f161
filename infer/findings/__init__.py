"""What deserves a look, as one ordered list: from letters, gaps, text and layout of a page.

Headings come from the catalogue's sources and the user's customs; nothing here rules.

One place is listed once. Its `kind` is the gravest claim on it, the other claims stand in `others`,
so that an examiner who holds the parchment turns to each place a single time. A doubt that is
graver than what was surely found is a place to review of its own.
"""
