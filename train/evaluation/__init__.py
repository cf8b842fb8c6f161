"""Suites that measure accuracy on what training never saw, and the measures themselves.

Type pages in scribal-style fonts, photographs by their transcriptions, matching and scores.
"""

from __future__ import annotations
