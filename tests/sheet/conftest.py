"""A synthetic run for all tests of the sheets, importable as `sheet_samples`."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "view")]
