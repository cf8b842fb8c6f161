"""A wrong record: in which file, which one, and why, on one line."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Complaint:
    """One record that cannot be used as it stands."""

    file: str
    record: str
    """Such as `annotation 12`; "" for the file as a whole."""
    reason: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.record}" if self.record else self.file
        return f"{where}: {self.reason}"
