"""The critic: tells renders from photographs, and says by what.

Small classifiers on patches at equal size of writing, tested on photographs they never saw, with
named measures beside them; nothing that ships is trained here.
"""

from __future__ import annotations
