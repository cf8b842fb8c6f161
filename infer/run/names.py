"""What a review is called where it lies in its run."""

from __future__ import annotations

STORE, PICTURES = "review.sqlite3", "review.pictures.sqlite3"

LABELS, DECISIONS = "labels.coco.json", "decisions.csv"
