"""A finding in words and numbers: title, probability, measures, opinions of the books."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from crownlet.datasets.scribal.alphabet import ALPHABET, BY_CHAR
from crownlet.datasets.scribal.catalogue import CATALOGUE, GRAVITIES, Opinion
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import Measurement
from crownlet.infer.view.language import is_english, translate
from crownlet.infer.view.lengths import describe_crowns, describe_length, split_crowns
from crownlet.infer.view.wording import defect_words, latin_name

_PROBABILITY_WORDS = (
    (0.98, "all but sure"),
    (0.9, "sure"),
    (0.7, "rather sure"),
    (0.4, "undecided"),
    (0.0, "rather doubts it"),
)
"""Words for a calibrated probability, from the surest."""

_VERDICT_WORDS = {
    "there": "speaks for it",
    "not_there": "speaks against it",
    "unclear": "undecided",
}

BOOK_BY_ABBREVIATION = {
    "OC": "Shulchan Aruch, Orach Chayim (OC)", "YD": "Shulchan Aruch, Yoreh De'ah (YD)",
    "MB": "Mishnah Berurah (MB)", "MS": "Mishnat Sofrim (MS)", "Keset": "Keset HaSofer (Keset)",
    "Rambam Tef": "Mishneh Torah, Laws of Tefillin (Rambam Tef)",
}  # fmt: skip
"""Books as a source abbreviates them, and as they are written at their first use."""

_ABBREVIATION = re.compile(r"\b(?:OC|YD|MB|MS|Rambam Tef|Keset)\b(?! HaSofer)")

OTHER_SOURCE_WORDS = ("Tur", "Men.", "Shab.", "Magen Avraham on", "gloss", "under each letter")
"""What stands in a source beside abbreviated books, letters and numbers."""

_SOURCE_WORD = re.compile(
    "|".join(
        [
            _ABBREVIATION.pattern,
            *(rf"(?<!\w){re.escape(word)}(?!\w)" for word in OTHER_SOURCE_WORDS),
            *(rf"\b{letter.name}\b" for letter in sorted(ALPHABET, key=lambda a: -len(a.name))),
        ]
    )
)

SOURCES_DIFFER_NOTE = "The books do not agree on how far this matters."

DISAGREEMENT_NOTE = "Network and measure disagree here: look closely."

MAX_NAMED_LETTERS = 3
"""Letters that a title names one by one."""

_NO_PROBABILITY_WORDS = {
    "aligned": "not asked, it follows from the text",
    "counted": "not asked, it was counted",
    "measured": "not asked, it was measured",
    "learned": "gives no probability",
}
"""In place of the network's probability where there is none, by how a defect is known."""


@dataclass(frozen=True)
class CitedOpinion:
    """The opinion of one source."""

    statement: str
    source: str
    letters: str
    """The letters that it concerns."""


def finding_title(finding: Finding) -> str:
    """Letters and kind of a finding, such as `he: leg touches roof`."""
    name = defect_words(finding.kind)
    letters = finding.letter or finding.expected or ""
    named = [latin_name(char) for char in letters if char in BY_CHAR]
    if len(named) > MAX_NAMED_LETTERS:
        return translate("{n} letters: {what}", n=len(named), what=name)
    return f"{', '.join(named)}: {name}" if named else name


def trade_term(kind: str) -> str | None:
    """The trade's term for a kind, where there is one beside its plain name."""
    term = CATALOGUE[kind].trade_term if kind in CATALOGUE else None
    translated = translate(term) if term else None
    return None if translated == defect_words(kind) else translated


def probability_words(p: float, *, sure: bool = False) -> str:
    """A probability in words and number; `sure` where it reaches the threshold of a finding, which
    of some defects lies at a half."""
    words = translate(next(words for least, words in _PROBABILITY_WORDS if p >= least))
    if sure and p < _PROBABILITY_WORDS[2][0]:
        words = translate("enough for a finding")
    high, low = translate("above 0.99"), translate("below 0.01")
    return f"{words} ({high if p > 0.99 else low if p < 0.01 else f'{p:.2f}'})"


def network_words(finding: Finding) -> str:
    """The network's probability of the kind in words, or why there is none."""
    if finding.p is not None:
        return probability_words(finding.p, sure=finding.route == "finding" and finding.sure)
    how = CATALOGUE[finding.kind].how if finding.kind in CATALOGUE else "learned"
    return translate(_NO_PROBABILITY_WORDS[how])


def measurement_lines(
    measures: Iterable[Measurement], crowns_seen: int | None = None
) -> tuple[str, ...]:
    """Measures in words, one line for those of one name and one verdict; `crowns_seen` is the
    number that the network sees."""
    crowns, others = split_crowns(measures)
    groups: dict[tuple[str, str], list[str]] = {}
    for m in others:
        groups.setdefault((m.name, m.claim), []).append(describe_length(m.q, m.mm))
    lines = (describe_crowns(crowns, crowns_seen),) if crowns else ()
    return lines + tuple(
        f"{defect_words(name)} {'; '.join(dict.fromkeys(lengths))}; "
        f"{translate(_VERDICT_WORDS[claim])}"
        for (name, claim), lengths in groups.items()
    )


def is_disagreement(finding: Finding) -> bool:
    """Whether the network and the measures of a finding contradict each other about its kind."""
    if finding.p is None:
        return False
    claims = {m.claim for m in finding.measurements if m.defect == finding.kind}
    return claims == {"not_there"} if finding.p >= 0.5 else "there" in claims


def cite_opinions(
    opinions: Iterable[Opinion], spelled: set[str] | None = None
) -> tuple[CitedOpinion, ...]:
    """Opinions, the gravest first; books are spelled out at their first use, `spelled` are those
    that were before and takes those that are now."""
    known = set[str]() if spelled is None else spelled
    rank = list(GRAVITIES)
    ordered = sorted(opinions, key=lambda opinion: rank.index(opinion.code))
    return tuple(
        CitedOpinion(o.statement, spell_out_books(o.source, known), o.letters) for o in ordered
    )


def spell_out_books(source: str, spelled: set[str]) -> str:
    """A source with each book written out that is not in `spelled`, to which it is added.

    In another language than English books, letters and words of a source are translated.
    """

    def written(found: re.Match[str]) -> str:
        short = found[0]
        if short in spelled or short not in BOOK_BY_ABBREVIATION:
            return short
        spelled.add(short)
        return BOOK_BY_ABBREVIATION[short]

    if is_english():
        return _ABBREVIATION.sub(written, source)
    return _SOURCE_WORD.sub(lambda found: translate(written(found)), source)


def sources_differ(opinions: Sequence[Opinion]) -> bool:
    """Whether the opinions put a fault under different headings, or name a dispute."""
    headings = {GRAVITIES[opinion.code].heading for opinion in opinions}
    return len(headings) > 1 or any(opinion.code == "D" for opinion in opinions)
