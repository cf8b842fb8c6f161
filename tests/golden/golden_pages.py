"""The pages of the golden run: ten of all kinds, drawn by `crownlet-render` with fixed seeds."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from golden_commands import Commands
from PIL import Image

OWN_TEXT = """\
אשת חיל מי ימצא ורחק מפנינים מכרה
בטח בה לב בעלה ושלל לא יחסר
גמלתהו טוב ולא רע כל ימי חייה

דרשה צמר ופשתים ותעש בחפץ כפיה
היתה כאניות סוחר ממרחק תביא לחמה
"""
"""A text file of the user's, of two portions; Proverbs 31:10-14, which the Pentateuch lacks."""


@dataclass(frozen=True)
class Drawn:
    """One page: its name, its seed and the settings of `crownlet-render`."""

    name: str
    seed: int
    settings: tuple[str, ...]


def _mezuzah(hand: int, *settings: str, side: str = "mezuzah") -> tuple[str, ...]:
    return (
        f"render={side}", "render.split=heldout", f"render.hand={hand}", "render.body=[28,28]",
        "render.habit_rate=0", "augment=scanner", *settings,
    )  # fmt: skip


def _text(portion: str, body: int, *settings: str) -> tuple[str, ...]:
    return ("render=clean", f"render.portion='{portion}'", f"render.body=[{body},{body}]",
            "render.split=heldout", *settings)  # fmt: skip


CLEAN = ("render.defect_rate=0", "render.gap_rate=0", "render.text_rate=0")
FAULTY = ("render.defect_rate=0.12", "render.gap_rate=0.02", "render.text_rate=0.01")
DRAWN = (
    Drawn("a1-face", 701, _mezuzah(7, *CLEAN)),
    Drawn("a1-reverse", 702, _mezuzah(7, *CLEAN, side="reverse")),
    Drawn("b1-face", 401, _mezuzah(4, *FAULTY)),
    Drawn("b1-reverse", 402, _mezuzah(4, *FAULTY, side="reverse")),
    # A camera's page is tilted, bowed and lit from one side.
    Drawn("photo", 11, _text("Deuteronomy 11:13-15", 40, *FAULTY, "augment=camera")),
    # Letters of 18 px: hardly large enough to be read.
    Drawn("low", 12, _text("Deuteronomy 6:4-7", 18, "augment=scanner")),
    Drawn("exodus", 13, _text("Exodus 13:3-6", 34, *FAULTY, "augment=scanner")),
    Drawn("turned", 14, _text("Numbers 15:37-39", 30, "render.turn=180", "augment=scanner")),
    Drawn("own", 15, _text("own.txt", 36, "augment=scanner")),
)
SCROLLS = (
    ("a1-face", "A1", "face", "Source A"),
    ("a1-reverse", "A1", "reverse", "Source A"),
    ("b1-face", "B1", "face", "Source B"),
    ("b1-reverse", "B1", "reverse", "Source B"),
)
SURVEY = (
    ("scans/a1-face.png", "A1", "Source A", "face", "mezuzah"),
    ("scans/a1-reverse.png", "A1", "Source A", "reverse", "mezuzah"),
    ("scans/exodus.png", "A2", "Source A", "face", "Exodus 13:3-6"),
    ("scans/turned.png", "A3", "Source A", "face", ""),
    ("scans/b1-face.png", "B1", "Source B", "face", "mezuzah"),
    ("scans/b1-reverse.png", "B1", "Source B", "reverse", "mezuzah"),
    ("scans/own.png", "B2", "Source B", "face", "own.txt"),
    ("scans/photo.jpg", "B3", "Source B", "face", "none"),
)
"""Three scrolls of each source, the fewest of which an interval is given."""


def make_pages(commands: Commands) -> None:
    """Write the pages into `scans`, with the tables and the text that go with them."""
    out = commands.out
    (out / "scans").mkdir()
    (out / "own.txt").write_text(OWN_TEXT, encoding="utf-8")
    for page in DRAWN:
        folder = f"drawn/{page.name}"
        commands.run(
            "crownlet-render", f"out={folder}", "pages=1", f"seed={page.seed}", *page.settings
        )
        (out / folder / "images/000000.png").rename(out / f"scans/{page.name}.png")
    with Image.open(out / "scans/photo.png") as picture:
        picture.save(out / "scans/photo.jpg", quality=92)
    (out / "scans/photo.png").unlink()
    _blank(out / "scans/blank.png")
    _table(out / "scrolls.csv", ("scan", "scroll", "side", "source"), SCROLLS)
    _table(out / "survey.csv", ("scan", "scroll", "source", "side", "portion"), SURVEY)


def _blank(path: Path) -> None:
    """Skin with grain and no letter."""
    grain = np.random.default_rng(16).integers(-3, 4, (420, 600, 1))
    skin = np.array([233, 223, 201]) + grain
    Image.fromarray(skin.astype(np.uint8)).save(path)


def _table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([columns, *rows])
