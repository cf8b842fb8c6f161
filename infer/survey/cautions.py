"""What must be read before anyone is named, in words that follow from the survey's own numbers."""

from __future__ import annotations

from crownlet.infer.cautions import RULING
from crownlet.infer.survey.figuring import one_of
from crownlet.infer.survey.gathering import AuditCounts
from crownlet.infer.survey.records import FEW_SCROLLS, MIN_SCROLLS, Comparison

RARE = 0.1
"""Share of bad scrolls for which it is said how easily a survey meets none of them."""

NAMING = (
    "A name once spoken in public is not called back. Before a source is named: every audited "
    "letter read, a second reader, new scrolls drawn by chance, and a word with the source itself, "
    "who may know what the survey cannot. Whether a name may be spoken at all is a question of its "
    "own, for a recognised authority."
)
CHOSEN = (
    "The numbers speak of a source only if its scrolls were drawn by chance from all that it "
    "sells. Scrolls brought in because somebody complained show what was complained of."
)
FAULT = (
    "A rate says how often something was found, not why, nor by whose hand, nor what follows from "
    "it. A scroll may have been written elsewhere than where it was sold."
)


def cautions(results: Comparison, audit: AuditCounts) -> tuple[str, ...]:
    """The sentences that stand before all numbers, the ones on this survey first."""
    return tuple(filter(None, (_audit(results, audit), _thin(results), CHOSEN, FAULT, RULING)))


def _audit(results: Comparison, audit: AuditCounts) -> str:
    """On whose word the rates rest."""
    bare = sum(rate.basis == "unaudited" for rate in results.rates)
    if not results.rates or not bare:
        return ""
    if bare < len(results.rates):
        return (
            "Some rates rest on the network's word alone and are marked unaudited: their limits "
            "hold for what it marks, not for what is there."
        )
    done = f"{audit.decided:,} of {audit.drawn:,} audit questions are answered"
    return (
        "Unaudited: all rates rest on the network's word alone. Their limits hold for what it "
        f"marks, not for what is there, and it errs more on some hands than on others ({done})."
    )


def _thin(results: Comparison) -> str:
    """How little few scrolls can tell."""
    scrolls: dict[str, int] = {share.source: share.scrolls for share in results.shares}
    if not scrolls:
        return ""
    fewest = min(scrolls.values())
    thin = [code for code, count in sorted(scrolls.items()) if count < FEW_SCROLLS]
    none = [code for code, count in sorted(scrolls.items()) if count < MIN_SCROLLS]
    missed = round(100 * (1 - RARE) ** fewest)
    text = (
        f"If one scroll in {round(1 / RARE)} of a source were far worse than the others, "
        f"{missed} of 100 surveys with {fewest} scrolls a source would meet none of the bad ones. "
        "So a low rate clears nobody."
    )
    if none:
        text = f"No interval is given for {one_of(none)}: fewer than {MIN_SCROLLS} scrolls. {text}"
    elif thin:
        text = f"Few scrolls of {one_of(thin)}: fewer than {FEW_SCROLLS}. {text}"
    return text
