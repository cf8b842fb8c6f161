"""Made-up runs for all tests of the review, importable as `made_runs`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
