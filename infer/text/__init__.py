"""The page against its text: alignment, search, discrepancies."""
