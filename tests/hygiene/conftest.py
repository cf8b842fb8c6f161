"""The audit of dependencies, importable as `audit` and `sbom`, and pages for all tests here."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "infer")]
