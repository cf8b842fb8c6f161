"""Makes simulated surveys, block letters and made-up runs importable by their names."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [
    str(HERE),
    str(HERE.parent / "infer"),
    str(HERE.parent / "review"),
    str(HERE.parent / "sheet"),
]
