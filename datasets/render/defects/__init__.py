"""Defects as operations on a letter's parts, before ink.

Each file holds one family; `apply.py` is the way in. Every operation leaves a `DefectMark` with its
true size, so that what was put in is known exactly."""

from __future__ import annotations
