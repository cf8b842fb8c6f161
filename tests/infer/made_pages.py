"""Records of pages made by hand, with the letters, crowns and sizes that a test asks for."""

from __future__ import annotations

from dataclasses import replace

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.infer.records import GlyphRecord, PageRecord, TextMatch


def glyph(
    number: int,
    letter: str,
    *,
    line: int = 1,
    tags: int = 0,
    width: float = 2.0,
    height: float = 3.0,
    q: float = 10.0,
    **more: object,
) -> GlyphRecord:
    crown = BY_CHAR[letter].crown
    p = {
        "tag_missing": (0.02 if tags >= crown else 0.98) if crown else None,
        "tag_bare": 0.01 if crown == 3 else None,
        "tag_excess": 0.98 if tags > crown else 0.02,
    }
    reasons = tuple(name for name in ("tag_missing", "tag_excess") if (p[name] or 0.0) > 0.5)
    x = 100.0 * number
    made = GlyphRecord(
        glyph=number, line=line, word=1, place=number, letter=letter, letter_p=0.99,
        expected=letter, box=(x, 0.0, x + width * q, height * q), body=(x, 0.0, 3 * q, 0.0),
        tags_seen=tags, tags_expected=crown, p=p, reasons=reasons, sure=reasons,
        route="finding" if reasons else "clear",
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def page(
    name: str, glyphs: list[GlyphRecord], *, sha256: str = "", notes: tuple[str, ...] = (),
    match: TextMatch | None = None,
) -> PageRecord:  # fmt: skip
    facts = ImageFacts(f"scans/{name}.png", 4000, 3000, "RGB", "PNG", 600.0, 1, sha256 or name)
    return PageRecord(name, facts, tuple(glyphs), (), match, 0, notes=notes)


def written(name: str, text: str, crowned: bool = True, **more: object) -> PageRecord:
    """A page of these letters, crowned as their class asks or not at all; ten letters a line."""
    letters = [
        glyph(k, char, line=1 + (k - 1) // 10, tags=BY_CHAR[char].crown if crowned else 0)
        for k, char in enumerate(text.replace(" ", ""), start=1)
    ]
    return page(name, letters, **more)  # type: ignore[arg-type]
