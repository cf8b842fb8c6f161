"""The geometry that tests of letters and defects share, importable as `shapes`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
