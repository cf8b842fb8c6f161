"""Damaged files for all tests here, importable as `mutants` and `fuzz_pages`."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "infer")]
