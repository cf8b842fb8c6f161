"""The 27 letters of the square script (ktav Ashuri), the classes of everything that reads."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

ALEF_CODE_POINT = 0x5D0
"""Code point of alef; the 27 letters follow without a gap."""

THREE_TAGS = "שעטנזגצןץ"
"""Shatnez getz with its finals: three tags each (Menachot 29b; Orach Chayim 36:3)."""

ONE_TAG = "בדקחיה"
"""Bedek chaya: one tag each, by custom (Mishnat Sofrim under each letter)."""

_NAMES = (
    "alef", "bet", "gimel", "dalet", "he", "vav", "zayin", "chet", "tet", "yud",
    "final kaf", "kaf", "lamed", "final mem", "mem", "final nun", "nun", "samech", "ayin",
    "final pe", "pe", "final tsadi", "tsadi", "kuf", "resh", "shin", "tav",
)  # fmt: skip

_BENT_AND_FINAL = MappingProxyType({"כ": "ך", "מ": "ם", "נ": "ן", "פ": "ף", "צ": "ץ"})

_DETACHED = "הק"

_RINGS = "סם"


@dataclass(frozen=True)
class Letter:
    """One letter as a class: what never depends on the hand or the style."""

    char: str
    slug: str
    """ASCII name for columns and files, such as `kaf_final`."""
    index: int
    """Class number, 0 to 26: code point less U+05D0."""
    name: str
    """Name as read aloud, such as `final kaf`."""
    final_of: str | None
    """The bent letter of which this is the final form."""
    final_form: str | None
    """The final form of this letter (mantzpach: kaf, mem, nun, pe, tsadi)."""
    crown: int
    """Tags by class: 3, 1 or 0. The two tags of lamed are a custom, not counted here."""
    detached: bool
    """He and kuf: the left leg hangs free, so the letter is two pieces (Orach Chayim 36:2)."""
    rings: int
    """Holes closed by ink: 1 in samech and final mem (Keset HaSofer 5:3), else 0."""

    @property
    def pieces(self) -> int:
        """Connected pieces of ink of the well-formed letter, tags attached."""
        return 2 if self.detached else 1


def _slug(name: str) -> str:
    return name.removeprefix("final ") + "_final" if name.startswith("final ") else name


def _letter(index: int, name: str) -> Letter:
    char = chr(ALEF_CODE_POINT + index)
    bent = {final: bent for bent, final in _BENT_AND_FINAL.items()}
    return Letter(
        char=char,
        slug=_slug(name),
        index=index,
        name=name,
        final_of=bent.get(char),
        final_form=_BENT_AND_FINAL.get(char),
        crown=3 if char in THREE_TAGS else 1 if char in ONE_TAG else 0,
        detached=char in _DETACHED,
        rings=1 if char in _RINGS else 0,
    )


ALPHABET: tuple[Letter, ...] = tuple(_letter(i, name) for i, name in enumerate(_NAMES))
"""The 27 letters by code point, which is also by class number."""

LETTERS: str = "".join(letter.char for letter in ALPHABET)

BY_CHAR = MappingProxyType({letter.char: letter for letter in ALPHABET})

BY_SLUG = MappingProxyType({letter.slug: letter for letter in ALPHABET})


def index_of(char: str) -> int:
    """Class number of a letter, 0 to 26. ValueError if `char` is not one of the 27."""
    try:
        return BY_CHAR[char].index
    except KeyError:
        raise ValueError(f"{char!r} is not one of the 27 letters U+05D0 to U+05EA") from None
