"""Synthetic runs for all tests of the review, importable as `synthetic_runs`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
