"""Block letters and their reader for all tests of inference, importable as `blocks`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
