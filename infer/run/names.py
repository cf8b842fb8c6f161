"""What a review is called where it lies in its run."""

from __future__ import annotations

REVIEW_STORE_FILE, REVIEW_PICTURES_FILE = "review.sqlite3", "review.pictures.sqlite3"

REVIEW_LABELS_FILE, REVIEW_DECISIONS_FILE = "labels.coco.json", "decisions.csv"
