"""The paragraphs on methods, limitations and cautions, with the numbers of the survey in them.

The cautions must be read before anyone is named; they follow from the survey's own numbers.
"""

from __future__ import annotations

from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.labels import AuditCounts
from crownlet.infer.survey.records import (
    CONFIDENCE_LEVEL,
    MIN_SCROLLS_FOR_INTERVAL,
    MIN_SCROLLS_WITHOUT_WARNING,
    SurveyComparison,
)
from crownlet.infer.view.wording import NEVER_EXAMINED, RULING_TEXT, join_words

BAD_SCROLLS_SHARE = 0.1
"""Share of bad scrolls for which the report states how easily a survey meets none of them."""

NAMING_CAUTION = (
    "A name once spoken in public is not called back. Before a source is named: every audited "
    "letter read, a second reader, new scrolls drawn by chance, and a word with the source itself, "
    "who may know what the survey cannot. Whether a name may be spoken at all is a question of its "
    "own, for a recognised authority."
)

SAMPLING_CAUTION = (
    "The numbers speak of a source only if its scrolls were drawn by chance from all that it "
    "sells. Scrolls brought in because somebody complained show what was complained of."
)

CAUSE_CAUTION = (
    "A rate says how often something was found, not why, nor by whose hand, nor what follows from "
    "it. A scroll may have been written elsewhere than where it was sold."
)


def describe_methods(survey: SurveyData, results: SurveyComparison) -> tuple[str, ...]:
    """How the numbers are made, for a reader who checks them."""
    audit = survey.audit
    return (
        "The unit is the scroll. Letters of one scroll share a hand, a pen and a skin, and are "
        "not independent; rates are ratios over letters, their variance is that between scrolls "
        "(linearised, with m/(m - 1); Särndal, Swensson and Wretman 1992, chapter 6).",
        "The network gives every letter a calibrated probability of every finding. In every "
        "scroll, for every defect, letters were drawn at random with known probabilities that rise "
        "with the square root of the network's (at least half of that of an even draw), and "
        "shown to readers who were not told what the network thinks: "
        f"{audit.drawn:,} questions drawn, {audit.decided:,} answered, {audit.cannot_tell:,} that "
        "no reader could tell. Each label counts as many letters as one over its probability "
        "(Horvitz and Thompson 1952). Other answers given in the review are not used, since "
        "letters that were not drawn tell nothing of the others.",
        "Audited rates are difference estimates: the network's mean over all letters plus its "
        "mean error on the audited ones, weighted by one over the chance of the draw; how far "
        "the network is trusted (lambda of PPI++) is fitted on other scrolls than it is used on "
        "(Angelopoulos and others 2023; Angelopoulos, Duchi and Zrnic 2023).",
        f"Intervals hold {100 * CONFIDENCE_LEVEL:.0f}%: lower limits on the logit scale with t "
        "quantiles, upper limits the higher of a score limit and a beta-binomial one, which allows "
        "for a bad scroll not yet met; residuals corrected for large scrolls (Bell and McCaffrey "
        "2002). "
        f"Fewer than {MIN_SCROLLS_FOR_INTERVAL} scrolls give no interval, "
        f"fewer than {MIN_SCROLLS_WITHOUT_WARNING} a warning. "
        "Shares of scrolls: Clopper and Pearson 1934.",
        "Sources are compared by Welch's t test on the rates of their scrolls (Welch 1947), so "
        "that each scroll counts once, however long; p values are corrected for all "
        f"{sum(c.p_value is not None for c in results.contrasts)} tests made here, those on the "
        "network's word alone apart (Holm 1979). Face and reverse: paired t tests over scrolls, "
        "corrected among themselves.",
        "Pages were found, read and compared with their texts by the tool's networks; letters "
        "that were not examined for a finding, the picture being too poor, are not counted "
        "for it.",
    )


def describe_limitations() -> tuple[str, ...]:
    """What the numbers cannot show."""
    return (
        "Whether the scrolls stand for all that a source sells: that lies in how they were drawn, "
        "not in any interval. Nor does an interval hold for scrolls of other years.",
        "In simulations with 5 to 30 scrolls a source these intervals held the truth in 92% to 99% "
        "of surveys. Where one scroll in ten is ten times as bad as the others, 5 scrolls held it "
        "in 40% to 65% only, as most such surveys meet no bad scroll; 30 scrolls in 89% to 95%.",
        "The readers' answers count as true here. Readers differ; where two have answered, the "
        "mean of their answers counts and their agreement is stated.",
        "The networks learned from rendered writing. On hands unlike those they know they err "
        "more, and only the audit shows it.",
        "Not examined in any picture: " + "; ".join(NEVER_EXAMINED) + ".",
    )


def list_cautions(results: SurveyComparison, audit: AuditCounts) -> tuple[str, ...]:
    """The sentences that stand before all numbers, the ones on this survey first."""
    own = (_audit_caution(results, audit), _few_scrolls_caution(results))
    return (*filter(None, own), SAMPLING_CAUTION, CAUSE_CAUTION, RULING_TEXT)


def _audit_caution(results: SurveyComparison, audit: AuditCounts) -> str:
    """A warning of unaudited rates; empty if there is none."""
    unaudited = sum(rate.basis == "unaudited" for rate in results.rates)
    if not unaudited:
        return ""
    if unaudited < len(results.rates):
        return (
            "Some rates rest on the network's word alone and are marked unaudited: their limits "
            "hold for what it marks, not for what is there."
        )
    done = f"{audit.decided:,} of {audit.drawn:,} audit questions are answered"
    return (
        "Unaudited: all rates rest on the network's word alone. Their limits hold for what it "
        f"marks, not for what is there, and it errs more on some hands than on others ({done})."
    )


def _few_scrolls_caution(results: SurveyComparison) -> str:
    """How little few scrolls can show; empty without any scroll."""
    scrolls: dict[str, int] = {share.source: share.n_clusters for share in results.shares}
    if not scrolls:
        return ""
    fewest = min(scrolls.values())
    few = [code for code, count in sorted(scrolls.items()) if count < MIN_SCROLLS_WITHOUT_WARNING]
    too_few = [code for code, count in sorted(scrolls.items()) if count < MIN_SCROLLS_FOR_INTERVAL]
    missed = round(100 * (1 - BAD_SCROLLS_SHARE) ** fewest)
    text = (
        f"If one scroll in {round(1 / BAD_SCROLLS_SHARE)} of a source were far worse than the "
        f"others, {missed} of 100 surveys with {fewest} scrolls a source would meet none of the "
        "bad ones. So a low rate clears nobody."
    )
    if too_few:
        return (
            f"No interval is given for {join_words(too_few)}: "
            f"fewer than {MIN_SCROLLS_FOR_INTERVAL} scrolls. {text}"
        )
    if few:
        return f"Few scrolls of {join_words(few)}: fewer than {MIN_SCROLLS_WITHOUT_WARNING}. {text}"
    return text
