"""A page of writing: text and faults, layout on ruled lines, ink on skin, camera, and its truth.

`compose(spec, seed)` makes one page; everything is drawn from the seed.
"""

from __future__ import annotations
