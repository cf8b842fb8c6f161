"""Names of the files of a run's folder that are no pages."""

from __future__ import annotations

REVIEW_STORE_FILE, REVIEW_PICTURES_FILE = "review.sqlite3", "review.pictures.sqlite3"

REVIEW_LABELS_FILE, REVIEW_DECISIONS_FILE = "labels.coco.json", "decisions.csv"

REVIEW_AUDIT_FILE = "audit.json"

SCROLLS_FILE = "scrolls.json"

PDF_PAGES_FOLDER = "pdf_pages"
"""Pages of PDF files, taken out as pictures."""

PAGES_PART = "pages"
"""Part of a run's folder that one command at a time writes: its pages and the list of scrolls."""
