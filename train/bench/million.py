"""`python -m crownlet.train.bench.million --seconds S`: the cost of a million pages, from one.

What a page costs besides its processor time was measured; how, stands in `million_pages.md`.
"""

from __future__ import annotations

import argparse

PAGE_COUNT = 1_000_000

MACHINE_CORES = {"2 cores": 2, "64 cores": 64, "20 x 16 cores": 320}

TABLES_MB_PER_PAGE, FILES_PER_PAGE, FILE_CALLS_PER_PAGE = 0.377, 8, 28
"""What a page leaves on disk, files with their folder, and calls that name or sync a file."""

SCHEDULER_S_PER_PAGE, LISTS_S_PER_PAGE = 0.0019, 0.020
"""Processor time a page of Dask's scheduler, and of the list of scrolls."""

WORKER_GB = 0.5
"""Memory of a worker with one thread."""

HEADER = (
    "machine", "time", "pages/s", "read MB/s", "written MB/s", "file calls/s", "scheduler, cores",
    "memory, GB",
)  # fmt: skip


def machine_row(name: str, cores: int, seconds: float, picture: float) -> tuple[str, ...]:
    """A machine by `HEADER`; `seconds` is processor time per page, `picture` its size in MB."""
    rate = cores / seconds
    hours = PAGE_COUNT / rate / 3600
    return (
        name, f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days", f"{rate:.1f}",
        f"{rate * picture:.0f}", f"{rate * TABLES_MB_PER_PAGE:.1f}",
        f"{rate * FILE_CALLS_PER_PAGE:.0f}",
        f"{rate * SCHEDULER_S_PER_PAGE:.2f}", f"{cores * WORKER_GB:.0f}",
    )  # fmt: skip


def fixed_costs(seconds: float, price: float, picture: float) -> dict[str, str]:
    """What is the same on every machine; `price` is that of a core for an hour."""
    hours = PAGE_COUNT * seconds / 3600
    return {
        "core hours": f"{hours:.0f}",
        "price": f"{hours * price:.0f}",
        "lists of scrolls, core hours": f"{PAGE_COUNT * LISTS_S_PER_PAGE / 3600:.1f}",
        "pictures, TB": f"{PAGE_COUNT * picture / 1e6:.0f}",
        "tables, TB": f"{PAGE_COUNT * TABLES_MB_PER_PAGE / 1e6:.2f}",
        "files and folders, million": f"{PAGE_COUNT * FILES_PER_PAGE / 1e6:.0f}",
    }


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(prog="python -m crownlet.train.bench.million")
    parser.add_argument("--seconds", type=float, required=True, help="processor time of a page")
    parser.add_argument("--price", type=float, default=0.05, help="of a core for an hour (0.05)")
    parser.add_argument("--picture", type=float, default=30.0, help="MB of a picture (30)")
    options = parser.parse_args()
    rows = [
        machine_row(name, cores, options.seconds, options.picture)
        for name, cores in MACHINE_CORES.items()
    ]
    for cells in (HEADER, *rows):
        print(f"| {' | '.join(cells)} |")
    for name, figure in fixed_costs(**vars(options)).items():
        print(f"{name}: {figure}")


if __name__ == "__main__":
    main()
