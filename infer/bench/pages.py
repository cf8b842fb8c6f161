"""The page that is measured: a mezuzah of 10 megapixels set in type, or pictures of one's own."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

BODY = 58.0
"""Body height in px of the page set here: a mezuzah of 714 letters then has 10.2 megapixels."""


def set_page(folder: Path, body: float = BODY) -> Path:
    """Write a mezuzah set in a scribal-style font as PNG; needs the extra `train` and the font.

    Raises:
        FileNotFoundError: the fonts are not installed.
        ModuleNotFoundError: the extra `train` is not installed.
    """
    from crownlet.train.suites.type_pages import TypeSpec, compose_type_page

    path = folder / "mezuzah.png"
    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", body, "cream"))
    Image.fromarray(page.image).save(path)
    return path
