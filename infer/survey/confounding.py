"""What differs between sources beside the hands: customs, networks, texts, pictures, covariates.

A difference in any of these can look like one of the hands. Where pages of two sources were judged
by different customs or networks they are not compared at all; other differences are stated before
the numbers.
"""

from __future__ import annotations

import contextlib
import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from crownlet.infer.survey.conditions import PageConditions
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.view.wording import defect_words, join_words

MAX_RESOLUTION_RATIO = 1.5
"""Ratio of two sources' pen widths in pixels from which on the report warns."""

MAX_UNRESOLVED_DIFFERENCE = 0.25
"""Difference in the share of pages that are too coarse for a defect, from which on it warns."""


@dataclass(frozen=True)
class Confounding:
    """What stands between sources."""

    barriers: Mapping[frozenset[str], str]
    """Pairs that are not compared, with the reason."""
    warnings: tuple[str, ...]
    """Sentences for the top of the report, the gravest first."""


def find_confounding(survey: SurveyData) -> Confounding:
    """Barriers and warnings of a survey."""
    covariates: defaultdict[str, defaultdict[str, list[str]]] = defaultdict(
        lambda: defaultdict(list)
    )
    scribes: defaultdict[str, set[str]] = defaultdict(set)
    for scroll in survey.scrolls:
        scribes[scroll.code] |= {scroll.scribe} - {""}
        for name, value in scroll.covariates:
            covariates[name][scroll.code].append(value)
    own: defaultdict[str, list[PageConditions]] = defaultdict(list)
    for page in survey.conditions:
        own[page.source].append(page)
    barriers: dict[frozenset[str], str] = {}
    warnings: list[str] = []
    for what, value_of in _BARS.items():
        held = {code: {value_of(page) for page in pages} for code, pages in sorted(own.items())}
        for first, second in combinations(held, 2):
            if held[first] != held[second]:
                barriers.setdefault(frozenset((first, second)), f"judged by different {what}")
        if len(set(map(frozenset, held.values()))) > 1:
            listed = "; ".join(f"{code}: {join_words(sorted(v))}" for code, v in held.items())
            warnings.append(
                f"Not compared: sources were judged by different {what} ({listed}). A difference "
                f"could be one of {what} alone. Inspect all pages with the same ones."
            )
    warnings += filter(
        None,
        (
            _warn_of_texts(own), _warn_of_resolution(own), *_warn_of_unresolved(own),
            *(_warn_of_covariate(name, of) for name, of in covariates.items()),
            _warn_of_shared_scribes(scribes),
        ),
    )  # fmt: skip
    return Confounding(barriers, tuple(warnings))


_BARS: Mapping[str, Callable[[PageConditions], str]] = {
    "customs": lambda page: page.customs,
    "networks": lambda page: page.networks,
}


def _warn_of_texts(own: Mapping[str, Sequence[PageConditions]]) -> str:
    texts = {
        code: {page.portion or "no text" for page in pages} for code, pages in sorted(own.items())
    }
    if len(set(map(frozenset, texts.values()))) < 2:
        return ""
    listed = "; ".join(f"{code}: {join_words(sorted(v))}" for code, v in texts.items())
    return (
        f"Sources hold different texts ({listed}). Rates are standardised to one mix of letters "
        "where it matters; what else goes with a text, such as its column or its size, is not."
    )


def _warn_of_resolution(own: Mapping[str, Sequence[PageConditions]]) -> str:
    widths = {code: median(page.q_px for page in pages) for code, pages in sorted(own.items())}
    if min(widths.values(), default=0) <= 0:
        return ""
    if max(widths.values()) < MAX_RESOLUTION_RATIO * min(widths.values()):
        return ""
    listed = "; ".join(f"{code}: {width:.0f} pixels" for code, width in widths.items())
    return (
        f"Pictures differ in resolution (width of the pen; {listed}). The network sees less in "
        "coarse pictures; only rates that a reader checked allow for it."
    )


def _warn_of_unresolved(own: Mapping[str, Sequence[PageConditions]]) -> list[str]:
    defects = sorted({d for pages in own.values() for page in pages for d in page.not_resolved})
    found: defaultdict[str, list[str]] = defaultdict(list)
    for defect in defects:
        share = {
            code: sum(defect in page.not_resolved for page in pages) / len(pages)
            for code, pages in sorted(own.items())
        }
        if max(share.values()) - min(share.values()) >= MAX_UNRESOLVED_DIFFERENCE:
            listed = "; ".join(f"{code}: {100 * part:.0f}%" for code, part in share.items())
            found[listed].append(defect_words(defect))
    return [
        f"Pages too coarse to examine for {join_words(kinds)} are unevenly many ({listed}); those "
        "that could be examined may be the better ones."
        for listed, kinds in found.items()
    ]


def _warn_of_covariate(name: str, values: Mapping[str, Sequence[str]]) -> str:
    """A covariate whose values do not overlap between two sources."""
    known = {code: [v for v in own if v] for code, own in sorted(values.items())}
    known = {code: own for code, own in known.items() if own}
    every = [value for own in known.values() for value in own]
    if not every:
        return ""
    ordered = _order(every)
    if ordered is None and len(set(every)) == len(every):
        return ""  # A name of each scroll, such as a number in a catalogue.
    apart = [
        (first, second)
        for first, second in combinations(known, 2)
        if _are_apart(known[first], known[second], ordered)
    ]
    if not apart:
        return ""
    pairs = join_words(f"{first} and {second}" for first, second in apart[:3])
    more = "" if len(apart) <= 3 else f", and {len(apart) - 3} more pairs"
    return (
        f"{name}: {pairs}{more} have no value in common. Their difference may be one of {name} "
        "as well as one of hands."
    )


def _warn_of_shared_scribes(scribes: Mapping[str, set[str]]) -> str:
    shared = sorted(
        scribe for scribe in set().union(*scribes.values())
        if sum(scribe in own for own in scribes.values()) > 1
    ) if scribes else []  # fmt: skip
    if not shared:
        return ""
    many = f"{len(shared)} scribes write" if len(shared) > 1 else "One scribe writes"
    return (
        f"{many} for more than one source, and counts once in each. Limits of a difference between "
        "these sources are wider than they need be."
    )


def _order(values: Sequence[str]) -> Callable[[str], float | str] | None:
    """How values are ordered, as numbers or as dates (2025-03); None for names."""
    if all(re.fullmatch(r"\d{4}(-\d\d){1,2}", value) for value in values):
        return str
    with contextlib.suppress(ValueError):
        for value in values:
            float(value)
        return float
    return None


def _are_apart(
    first: Sequence[str], second: Sequence[str], order: Callable[[str], float | str] | None
) -> bool:
    """Whether no value of one lies within the range of the other, or among its names."""
    if order is None:
        return not set(first) & set(second)
    one, two = sorted(first, key=order), sorted(second, key=order)
    keys = [[order(own[0]), order(own[-1])] for own in (one, two)]
    (low1, high1), (low2, high2) = keys
    return bool(low1 > high2 or low2 > high1)  # type: ignore[operator]
