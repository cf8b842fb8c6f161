"""The golden run's modules, importable by its test as by `make.py`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
