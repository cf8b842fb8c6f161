"""Pages of the inspection's tests and browsers of the review's, for the tests of the desk."""

import sys
from pathlib import Path

for room in ("infer", "review", "view", "desk"):
    sys.path.insert(0, str(Path(__file__).parents[1] / room))
