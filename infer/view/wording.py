"""Plain words and Latin names for people who do not read the script or the column names."""

from __future__ import annotations

from collections.abc import Iterable

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.view.language import translate, translate_count

NEVER_EXAMINED = (
    "kind of ink, kind and tanning of the parchment",
    "order of writing, and whether anything was added or mended after a later letter",
    "the scribe, his hand and his intention, above all in the Divine Names",
    "holes, cracks and ink lost in depth, which show only on the object against the light",
    "ruled lines scored without ink",
    "whether a mark in the picture is shadow, dust, glare or a fold: look at the parchment",
)

UNFAMILIAR_TEXT = (
    "The shape is unlike the letters that the networks know: perhaps no letter, another script, a "
    "hand of an unknown kind, or ink that is not the letter's. Nothing said of it can be relied on."
)
"""What the reason `unfamiliar` means; it is no defect of the catalogue."""

RULING_TEXT = (
    "A finding is a place to look at, never a ruling; no finding is no approval. The examiner "
    "looks, and questions go to a recognised authority."
)

NAME_CAUTION = (
    "The picture and its crops may hold the Divine Name: printed on paper they are treated with "
    "the respect due to it (genizah)."
)

NO_VALUE = "–"
"""Stands where nothing could be computed."""

_NAMES = {"יהוה": "ה׳", "אלהי": "אלקי", "אלוה": "אלוק"}

_WHOLE_NAMES = {"שדי": "ש־די", "אדני": "אד־ני", "צבאות": "צב־אות", "אהיה": "אק־יה", "יה": "י־ה"}


def describe_defect(kind: str) -> str:
    """The defect in one or two plain sentences."""
    return translate(CATALOGUE[kind].description if kind in CATALOGUE else UNFAMILIAR_TEXT)


def count_of(number: int, one: str, many: str | None = None) -> str:
    """`1 letter`, `2 letters`, in the page's language."""
    return translate_count(f"{{n}} {one}", f"{{n}} {many or one + 's'}", number)


def describe_failures(failed: int, total: int, what: str) -> str:
    """How many pages, or other things, could not be inspected, as a person would say it."""
    if total == 1:
        return f"the {what} could not be inspected"
    if failed == total:
        return f"none of the {total:,} {what}s could be inspected"
    return f"{failed:,} of {total:,} {what}s could not be inspected"


def defect_words(name: str) -> str:
    """A defect's name as words for readers: `tag_missing` is "crown missing"."""
    return translate(name.replace("_", " ").replace("tag ", "crown "))


def latin_name(letter: str) -> str:
    """A letter's name, such as "final kaf": in Latin script, unless the page is Hebrew."""
    return translate(BY_CHAR[letter].name)


def veil_divine_names(word: str) -> str:
    """A word as it is written where the Divine Name is not to be written (common practice)."""
    word = _WHOLE_NAMES.get(word, word)
    for name, written in _NAMES.items():
        word = word.replace(name, written)
    return word


def format_percent(share: float | None) -> str:
    """A share from 0 to 1, such as "3.1%"; one digit more below 1%, a true minus sign."""
    if share is None:
        return NO_VALUE
    if share == 0:
        return "0%"
    digits = 1 if abs(share) >= 0.00995 else 2
    # Adding 0 makes of minus nothing plain nothing.
    return f"{round(100 * share, digits) + 0.0:.{digits}f}%".replace("-", "−")


def format_interval(low: float | None, high: float | None) -> str:
    """Both limits of an interval."""
    return (
        NO_VALUE
        if low is None or high is None
        else f"{format_percent(low)} to {format_percent(high)}"
    )


def format_p_value(p: float | None) -> str:
    """A p value; below a thousandth all read alike."""
    if p is None:
        return NO_VALUE
    return "<0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def letters_per_unit(shares: Iterable[float | None]) -> int:
    """Letters to count by, 100 or 1,000, so that the largest of the shares is at least one."""
    return 100 if max((abs(s) for s in shares if s is not None), default=1.0) >= 0.01 else 1000


def count_per(many: int, share: float) -> str:
    """How many of `many` letters a share is, in the shortest honest form."""
    count = many * share
    if 0 < abs(count) < 0.05:
        return "under 0.1"
    text = f"{count:.0f}" if abs(count) >= 0.95 else f"{count:.1f}".removesuffix(".0")
    return text.replace("-", "−")


def join_words(words: Iterable[str]) -> str:
    """`A`, `A and B`, `A, B and C`."""
    listed = list(words)
    return " and ".join([", ".join(listed[:-1]), listed[-1]] if len(listed) > 1 else listed)
