"""What the desk's page shows: rows of pictures, how far the inspection is, scrolls at a glance."""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crownlet.datasets.scribal.alphabet import BY_SLUG
from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS, load_customs
from crownlet.infer.desk.choices import (
    CUSTOMS_SENTENCES,
    SETTING_SENTENCES,
    STYLE_LETTERS,
    TEXT_SENTENCES,
)
from crownlet.infer.desk.guidance import ADVICE, Advice
from crownlet.infer.desk.web.render import render
from crownlet.infer.findings.finding import HEADINGS
from crownlet.infer.run.names import REVIEW_STORE_FILE, SCROLLS_FILE
from crownlet.infer.sheet.decisions import read_decisions
from crownlet.infer.sheet.drawings import LetterDrawing, read_drawing
from crownlet.infer.sheet.make import IndexRow, make_row, quote_addresses
from crownlet.infer.sheet.render import choose_file_names

if TYPE_CHECKING:
    from crownlet.infer.desk.desk import Desk
    from crownlet.infer.desk.stack import StackPicture
    from crownlet.infer.run.run import Run

SIGN_BY_VERDICT = {
    "good": ("✓", "Good"), "partly": ("◐", "In part"), "read_only": ("◐", "For reading alone"),
    "unusable": ("✕", "Not usable"),
}  # fmt: skip

BEING_LOOKED_AT = "Being looked at"

PROPOSED_BY_NAME = "Proposed by the file's name"

PROPOSED_BY_LETTERS = {
    "face": "Proposed by the file's name; by its letters it is a face",
    "reverse": "Proposed by the file's name; by its letters it is a reverse",
}

SCROLL_PROPOSED = "The scroll is proposed by the file's name; of the side nothing is known"

DRAWING_SIZE_Q = (5.2, 6.4)
"""Width and height in q of the drawings beside the customs."""


@dataclass(frozen=True)
class PictureRow:
    """One picture of the list."""

    picture: StackPicture
    scroll: str
    side: str
    proposed: str
    """By what scroll and side are proposed, in words; "" where a person named them."""
    sign: str
    verdict: str
    words: str
    message: str
    advice: tuple[Advice, ...]
    state: str
    """How far the inspection of its page is, in words; "" before it."""
    small: bool

    @property
    def digest(self) -> str:
        """A checksum of the row; the page's script replaces a row whose digest has changed."""
        return hashlib.sha256(repr(self).encode()).hexdigest()[:16]


@dataclass(frozen=True)
class ScrollRow:
    """One scroll of the results."""

    row: IndexRow
    open: int
    """Places to look at on which nobody has decided."""
    sheet: str

    @property
    def state(self) -> str:
        """How far the review of it is: `open`, `begun` or `decided`."""
        if not self.open:
            return "decided"
        return "begun" if self.row.decided else "open"


def picture_rows(desk: Desk) -> list[PictureRow]:
    """All pictures of the stack, scroll by scroll."""
    progress, inspected = desk.progress(), desk.inspected_state()
    return [
        _picture_row(desk, picture, progress.failed.get(picture.page, ""), inspected)
        for picture in desk.stack.listed()
    ]


def _picture_row(
    desk: Desk, picture: StackPicture, fault: str, inspected: dict[str, int]
) -> PictureRow:
    place, look = picture.place, picture.look
    sign, words = SIGN_BY_VERDICT[look.verdict] if look else ("…", BEING_LOOKED_AT)
    by_name = picture.proposed.side is not None and not (look and look.side)
    proposed = "" if picture.scroll or picture.side else PROPOSED_BY_NAME
    if proposed and look and look.side:
        proposed = PROPOSED_BY_LETTERS[look.side]
    elif proposed and not by_name:
        proposed = SCROLL_PROPOSED
    state = "inspected" if picture.page in inspected else ""
    return PictureRow(
        picture, place.scroll, place.side or "", proposed, sign,
        look.verdict if look else "waiting", words, look.message if look else "",
        tuple(ADVICE[key] for key in look.advice) if look else (),
        fault or state, desk.small_picture(picture) is not None,
    )  # fmt: skip


class ResultRows:
    """Scrolls at a glance, read again only where pages or decisions have changed."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._state: object = None
        self._rows: list[ScrollRow] = []

    def rows(self) -> list[ScrollRow]:
        """The scrolls, the gravest first; RunError for a damaged run."""
        state = self._present_state()
        if state != self._state:
            run = self._desk.open_run()
            self._rows = _scroll_rows(run) if run is not None else []
            self._state = state
        return self._rows

    def _present_state(self) -> object:
        run = self._desk.stack.run
        names = (SCROLLS_FILE, REVIEW_STORE_FILE, f"{REVIEW_STORE_FILE}-wal")
        files = [run / name for name in names]
        times = [file.stat().st_mtime_ns if file.is_file() else 0 for file in files]
        return self._desk.inspected_state(), times


def _scroll_rows(run: Run) -> list[ScrollRow]:
    decisions = read_decisions(run)
    files = quote_addresses(choose_file_names(scroll.name for scroll in run.scrolls))
    rows = []
    for scroll in run.scrolls:
        row = make_row(run, scroll, files[scroll.name], decisions)
        places = sum(len(run.pages[name].findings) for name in scroll.pages)
        rows.append(ScrollRow(row, places - row.decided, f"/sheets/{files[scroll.name]}"))
    rows.sort(key=lambda each: each.row.name)
    rows.sort(key=lambda each: each.row.urgency, reverse=True)
    return rows


def page_values(desk: Desk, results: ResultRows) -> dict[str, Any]:
    """The values of `desk.html`."""
    choices = desk.stack.choices
    # What another version had and this one lacks is refused when the inspection begins.
    base = load_customs(choices.customs if choices.customs in SHIPPED_CUSTOMS else "unspecified")
    return {
        "folder": desk.stack.folder, "pictures_html": pictures_html(desk),
        "progress_html": progress_html(desk, results), "choices": choices,
        "texts": TEXT_SENTENCES, "customs": [(each, style_drawings(each.style)) for each in
                                             CUSTOMS_SENTENCES],
        "settings": [
            (each, choices.settings.get(each.key, ""), each.answers[getattr(base, each.key)])
            for each in SETTING_SENTENCES
        ],
        "size": DRAWING_SIZE_Q,
        "own_text": choices.portion not in {each.value for each in TEXT_SENTENCES},
    }  # fmt: skip


def pictures_html(desk: Desk) -> str:
    """The list of pictures, and of files that are not read."""
    rows = picture_rows(desk)
    return render(
        "pictures.html",
        {
            "rows": rows, "unread": desk.stack.unread, "wrong": desk.stack.wrong,
            "folder": desk.stack.folder,
            "looking": sum(row.picture.look is None for row in rows),
            "poor": sum(row.verdict == "unusable" for row in rows),
            "partly": sum(row.verdict in ("partly", "read_only") for row in rows),
        },
    )  # fmt: skip


def progress_html(desk: Desk, results: ResultRows) -> str:
    """How far the inspection is, and the scrolls."""
    progress = desk.progress()
    waiting = desk.to_inspect()
    inspected = desk.inspected_state()
    return render(
        "progress.html",
        {
            "progress": progress, "remaining": progress.remaining_words(time.monotonic()),
            "to_do": sum(each.page not in inspected for each in waiting),
            "pictures": len(waiting), "pages": len(inspected),
            "rows": results.rows() if progress.state == "idle" else [],
            "headings": list(HEADINGS.values()),
        },
    )  # fmt: skip


def style_drawings(style: str) -> list[tuple[str, LetterDrawing]]:
    """Letters drawn in a style, with their names; none without a style."""
    if not style:
        return []
    customs = load_customs(style)
    return [
        (BY_SLUG[slug].name, read_drawing(BY_SLUG[slug].char, customs)) for slug in STYLE_LETTERS
    ]
