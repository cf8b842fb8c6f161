"""The paragraphs on method and limits, with the numbers of the survey that they speak of."""

from __future__ import annotations

from crownlet.infer.cautions import ALWAYS
from crownlet.infer.survey.gathering import Gathered
from crownlet.infer.survey.records import FEW_SCROLLS, LEVEL, MIN_SCROLLS, Comparison


def methods(survey: Gathered, results: Comparison) -> tuple[str, ...]:
    """How the numbers were made, for a reader who would check them."""
    audit = survey.audit
    return (
        "The unit is the scroll. Letters of one scroll share a hand, a pen and a skin, and are "
        "not independent; rates are ratios over letters, their variance is that between scrolls "
        "(linearised, with m/(m - 1); Särndal, Swensson and Wretman 1992, chapter 6).",
        "The network gives every letter a calibrated probability of every finding. Letters drawn "
        "by a recorded lot with known chances were shown to a reader who was not told what the "
        f"network thinks: {audit.drawn:,} questions drawn, {audit.decided:,} answered, of "
        f"{audit.cannot_tell:,} no answer could be given. Whether the network doubted a letter "
        "plays no part in the draw; what readers said of its doubts beyond the draw "
        "is not used, since doubtful letters tell nothing of the others.",
        "Audited rates are difference estimates: the network's mean over all letters plus its "
        "mean error on the audited ones, weighted by one over the chance of the draw; how far "
        "the network is trusted (lambda of PPI++) is fitted on other scrolls than it is used on "
        "(Angelopoulos and others 2023; Angelopoulos, Duchi and Zrnic 2023).",
        f"Intervals hold {100 * LEVEL:.0f}%: lower limits on the logit scale with t quantiles, "
        "upper limits the higher of a score limit and a beta-binomial one, which allows for a bad "
        "scroll not yet met; residuals corrected for large scrolls (Bell and McCaffrey 2002). "
        f"Fewer than {MIN_SCROLLS} scrolls give no interval, fewer than {FEW_SCROLLS} a warning. "
        "Shares of scrolls: Clopper and Pearson 1934.",
        "Sources are compared by Welch's t test on the rates of their scrolls (Welch 1947), so "
        "that each scroll counts once, however long; p values are corrected for all "
        f"{sum(c.p is not None for c in results.contrasts)} tests made here, those on the "
        "network's word alone apart (Holm 1979). Face and reverse: paired t tests over scrolls, "
        "corrected among themselves.",
        "Pages were found, read and compared with their texts by the tool's networks; letters "
        "that were not examined for a finding, the picture being too poor, are not counted "
        "for it.",
    )


def limits() -> tuple[str, ...]:
    """What no number here reaches."""
    return (
        "Whether the scrolls stand for all that a source sells: that lies in how they were drawn, "
        "not in any interval. Nor does an interval hold for scrolls of other years.",
        "In simulations with 5 to 30 scrolls a source these intervals held the truth in 92% to 99% "
        "of surveys. Where one scroll in ten is ten times as bad as the others, 5 scrolls held it "
        "in 40% to 65% only, as most such surveys meet no bad scroll; 30 scrolls in 89% to 95%.",
        "The reader's word counts as true here. Readers differ; where two have read, their "
        "agreement stands with the review.",
        "The networks learned from rendered writing. On hands unlike those they know they err "
        "more, and only the audit shows it.",
        "Not examined in any picture: " + "; ".join(ALWAYS) + ".",
    )
