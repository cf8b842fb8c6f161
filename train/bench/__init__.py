"""`python -m crownlet.train.bench`: how fast the inspection is, by stage, and how that compares.

Figures of one run are taken in one process after another on the same machine, since times of
different days or machines cannot be compared. Those measured so far stand in `figures.md`.
"""

from __future__ import annotations
