"""The scrolls of a survey: pages of each side, letters and findings, with what is known of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from crownlet.infer.survey.page_letters import PageLetters
from crownlet.infer.survey.pseudonyms import PageKey

FACE, REVERSE = "face", "reverse"


@dataclass(frozen=True)
class ScrollCounts:
    """One scroll of a survey, by its coded name."""

    name: str
    code: str
    """Code of its source: A, B, C."""
    faces: int
    """Pages of each side."""
    reverses: int
    letters: int
    findings: int
    """Letters with a finding."""
    scribe: str = ""
    """Code of its scribe; empty where not known."""
    workshop: str = ""
    covariates: tuple[tuple[str, str], ...] = ()
    """Names and values of the manifest's free columns."""


def count_scrolls(
    pages: Sequence[PageLetters], key_of: Mapping[str, PageKey], sides: Mapping[str, str]
) -> tuple[ScrollCounts, ...]:
    """The scrolls of some pages by their coded names; `sides` holds the side of each page."""
    own: dict[tuple[str, str], list[PageLetters]] = {}
    first: dict[str, PageKey] = {}
    for page in pages:
        key = first.setdefault(key_of[page.page].coded_scroll, key_of[page.page])
        own.setdefault((key.coded_scroll, key.code), []).append(page)
    return tuple(
        ScrollCounts(
            name, code,
            faces=sum(sides[page.page] == FACE for page in group),
            reverses=sum(sides[page.page] == REVERSE for page in group),
            letters=sum(len(page.glyph) for page in group),
            findings=sum(int(page.has_finding.sum()) for page in group),
            scribe=first[name].coded_scribe,
            workshop=first[name].coded_workshop,
            covariates=first[name].covariates,
        )
        for (name, code), group in sorted(own.items())
    )  # fmt: skip
