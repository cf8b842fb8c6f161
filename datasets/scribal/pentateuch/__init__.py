"""The consonants of the Pentateuch, verse by verse, and the finding of a passage by its content.

Text of a public source, named with its licence beside the data.
"""

from __future__ import annotations
