"""Realism: how well classifiers separate renders from photographs (C2ST), and by which measures.

Small classifiers on patches at equal size of writing, tested on held-out photographs, with
named measures beside them; nothing that ships is trained here.
"""

from __future__ import annotations
