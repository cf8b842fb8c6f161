"""English that a page in another language still shows: its words, beside names, codes and keys."""

from __future__ import annotations

import re
from html import unescape

CODES = frozenset({
    "Crownlet", "crownlet", "review", "RUN", "letters", "Name", "findings", "csv", "tag", "form",
    "zayin", "show", "names", "unspecified", "Ctrl", "Enter", "Esc", "Home", "End", "Page", "Down",
    "decisions", "labels", "coco", "json", "English", "open", "owners", "PNG", "JPEG", "TIFF",
    "WebP", "BMP", "HEIC", "PDF", "dpi", "px",
})  # fmt: skip
"""Names of files, columns, settings, commands, formats and keys, and the program's own."""

_ATTRIBUTES = re.compile(r'(?:aria-label|title|alt|placeholder)="([^"]*)"')
_HIDDEN = re.compile(
    r'(?s)<style.*?</style>|<script.*?</script>|<code.*?</code>| data-words="[^"]*"'
)
_ISOLATED = re.compile("\\u2068[^\\u2069]*\\u2069")


def english_left(html: str, names: tuple[str, ...] = ()) -> list[str]:
    """Texts and labels of a page in which English words stand, but for `names` and codes.

    What is isolated is a name; with three words it is a sentence that nobody has translated.
    """
    shown = _HIDDEN.sub(" ", html)
    texts = [*_ATTRIBUTES.findall(shown), *re.sub(r"<[^>]+>", "\n", shown).split("\n")]
    found = []
    for text in map(unescape, texts):
        isolated = " ".join(_ISOLATED.findall(text))
        outside = _ISOLATED.sub(" ", text)
        words = [w for w in re.findall(r"[A-Za-z]{2,}", outside) if w not in (*CODES, *names)]
        if words or re.search(r"[a-z']{2,}(?:[ ,:;]+[a-z']{2,}){2,}", isolated):
            found.append(text.strip())
    return found
