"""`audit`, `floors` and `sbom` of dependencies, and pages for all tests here, to be imported."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "infer")]
