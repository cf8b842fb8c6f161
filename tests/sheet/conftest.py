"""A made-up run for all tests of the sheets, importable as `sheet_made`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
