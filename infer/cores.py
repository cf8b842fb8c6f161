"""How many processor cores this process may use."""

from __future__ import annotations

import os
from pathlib import Path


def physical_cores() -> int:
    """Processor cores open to this process, hyper-threads counted once."""
    if not hasattr(os, "sched_getaffinity"):
        return os.cpu_count() or 1
    ours = os.sched_getaffinity(0)
    siblings = set()
    for cpu in ours:
        path = Path(f"/sys/devices/system/cpu/cpu{cpu}/topology/thread_siblings_list")
        try:
            siblings.add(path.read_text().strip())
        except OSError:
            return len(ours)
    return max(1, len(siblings))
