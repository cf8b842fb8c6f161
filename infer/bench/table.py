"""The figures of one run as a table to read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


def table(facts: dict[str, Any]) -> str:
    """Plain text, one figure a line."""
    return "\n".join(f"{name:<34}{figure}" for name, figure in _rows(facts))


def _rows(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    machine, page = facts["machine"], facts["page"]
    load = machine["load_before"]
    yield "processor", f"{machine['processor']}, {machine['threads']} threads"
    yield "load before the run", "unknown" if load is None else f"{load:.2f}"
    numbers = "integers" if machine["integers"] else "floats"
    yield f"convolution peak in {numbers}, G/s", f"{machine['peak_gigaflop_a_second']:.0f}"
    yield "page", f"{page['megapixels']:.1f} megapixels, {page['letters']} letters"
    cold, warm = facts["cold"], facts["warm"]
    yield "networks ready, s", f"{cold['ready_s'] + cold['python_s']:.2f}"
    yield "first page, s", f"{cold['page_s']:.2f}"
    yield "warm page, s", f"{warm['page_s']:.3f}   (processor time {warm['cpu_s']:.3f})"
    for stage, seconds in warm["stages_s"].items():
        yield f"  {stage}", f"{seconds:.3f}   (first page {cold['stages_s'][stage]:.3f})"
    yield "pages a second", f"{facts['pages_a_second']:.2f}"
    yield "letters a second", f"{facts['letters_a_second']:.0f}"
    yield "peak memory, MiB", f"{facts['memory']['peak_mb']:.0f}"
    yield "letter error rate", f"{facts['letter_error_rate']:.4f}"
    for name, row in facts["networks"].items():
        yield (
            f"{name} alone",
            f"{row['seconds']:.3f} s, {row['gigaflop']:.0f} G operations, "
            f"{row['share_of_peak']:.0%} of the peak",
        )
    yield from _rivals(facts)


def _rivals(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    torch, other = facts["torch"], facts["tesseract"]
    for name, seconds in (torch or {}).items():
        yield f"{name} in torch", f"{seconds:.3f} s"
    if other:
        yield (
            f"Tesseract {other['version']}, {other['model']}",
            f"{other['page_s']:.2f} s, {other['times_ours']:.1f} times ours; "
            f"letter error rate {other['letter_error_rate']:.4f}",
        )
