"""The paragraphs on methods, limitations and cautions, with the numbers of the survey in them.

The cautions must be read before anyone is named; they follow from the survey's own numbers.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.survey.contrasts import MIN_MET_FOR_CONTRAST, MIN_SUMMED_RATES
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.labels import AuditCounts
from crownlet.infer.survey.records import (
    CONFIDENCE_LEVEL,
    MIN_UNITS_FOR_INTERVAL,
    MIN_UNITS_WITHOUT_WARNING,
    SurveyComparison,
)
from crownlet.infer.view.wording import NEVER_EXAMINED, RULING_TEXT, join_words

BAD_UNITS_SHARE = 0.1
"""Share of bad units for which the report states how easily a survey meets none of them."""

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
    audit, word = survey.audit, survey.arrays.unit_word
    return (
        f"The unit is the {word}. Letters of one {word} share a hand and are not independent. A "
        f"rate is the mean over {word}s of each one's own rate, so that every {word} counts once, "
        "however many letters it has: they are what was drawn from a source, and how many letters "
        "one of them brought is an accident of the survey. Rate, interval and test are of this one "
        "number; a rate over all letters would follow the longest scrolls, and has no sound test "
        f"where few {word}s hold most of them.",
        "The network gives every letter a calibrated probability of every finding. In every "
        "scroll, for every defect, letters were drawn at random with known probabilities that rise "
        "with the square root of the network's (at least half of that of an even draw), and "
        "shown to readers who did not see what the network says: "
        f"{audit.drawn:,} questions drawn, {audit.decided:,} answered, {audit.cannot_tell:,} that "
        "no reader could tell. Each label counts as many letters as one over its probability "
        "(Horvitz and Thompson 1952). Other answers given in the review are not used, since "
        "letters that were not drawn tell nothing of the others.",
        "Audited rates are difference estimates: the network's mean over all letters plus its "
        "mean error on the audited ones, weighted by one over the chance of the draw; how far "
        "the network is trusted (lambda of PPI++) is fitted on other units than it is used on "
        "(Angelopoulos and others 2023; Angelopoulos, Duchi and Zrnic 2023).",
        f"Intervals of rates hold {100 * CONFIDENCE_LEVEL:.0f}%: lower limits on the logit scale "
        "with t quantiles, upper limits the higher of a score limit and a beta-binomial one, which "
        f"allows for a bad {word} not yet met. Fewer than {MIN_UNITS_FOR_INTERVAL} {word}s give no "
        f"interval, fewer than {MIN_UNITS_WITHOUT_WARNING} a warning; what no reader checked gives "
        "none.",
        f"Sources are compared by a permutation test: {word}s are dealt out again between them, "
        "all ways or 20,000 at random, and p is how often a difference over its standard error is "
        "as great (mid-p, Lancaster 1961; each source's variance drawn towards the pooled one; "
        "Chung and Romano 2013). The interval holds the differences that this test does not "
        "refute. A test is offered only where the arrangements of these very numbers reach p below "
        f"0.05 in 2% to 7% of cases, and where readers met {MIN_MET_FOR_CONTRAST} letters with "
        f"the defect at least and the rates of all {word}s of both sources add up to "
        f"{MIN_SUMMED_RATES:.0%} or more, not all of it by one {word}. p values are corrected for "
        f"all {sum(c.p_value is not None for c in results.contrasts)} tests made here, declared "
        "and exploratory ones apart (Holm 1979, of the strict p values). Face and reverse: signs "
        f"of differences within a {word} are flipped; p is corrected among themselves.",
        "Of more than six sources each is compared with all the others together; whether they "
        "differ at all is tested by permutation too, and their rates are drawn towards the mean by "
        "how little is known of each (empirical Bayes; Efron and Morris 1975).",
        "Where sources hold unlike shares of the letters of the alphabet, rates are standardised "
        "to one mix (indirect standardisation); the table says where.",
        "Pages were found, read and compared with their texts by the tool's networks; letters "
        "that were not examined for a finding, the picture being too poor, are not counted "
        "for it.",
    )


def describe_limitations() -> tuple[str, ...]:
    """What the numbers cannot show."""
    return (
        "Whether the scrolls stand for all that a source sells: that lies in how they were drawn, "
        "not in any interval. Nor does an interval hold for scrolls of other years.",
        "In simulations with 3 to 60 scrolls a source, 2 to 20 scribes, and audits of 5 to 40 "
        "letters, 2% to 7% of tests called sources different that are alike, and intervals of "
        "differences held the truth in 93% to 100% of surveys, mostly in 93% to 98%. Alike "
        "means: rates of their scribes or scrolls are spread in the same way. Sources with one "
        "mean but unlike spread are called different more often, where units are few.",
        "Where one scroll in ten is ten times as bad as the others, intervals of rates from 5 "
        "scrolls hold the truth in 40% to 65% only, as most such surveys meet no bad scroll; from "
        "30 scrolls in 89% to 95%.",
        "The readers' answers count as true here. Readers differ; where two have answered, the "
        "mean of their answers counts and their agreement is stated.",
        "The networks learned from rendered writing. On hands unlike those they know they err "
        "more, and only the audit shows it.",
        "Not examined in any picture: " + "; ".join(NEVER_EXAMINED) + ".",
    )


def list_cautions(survey: SurveyData, results: SurveyComparison) -> tuple[str, ...]:
    """The sentences that stand before all numbers, the ones on this survey first."""
    own = (_audit_caution(results, survey.audit), _few_units_caution(survey))
    return (*filter(None, own), SAMPLING_CAUTION, CAUSE_CAUTION, RULING_TEXT)


def _audit_caution(results: SurveyComparison, audit: AuditCounts) -> str:
    """A warning of unaudited rates; empty if there is none."""
    unaudited = sum(rate.basis == "unaudited" for rate in results.rates)
    if not unaudited:
        return ""
    if unaudited < len(results.rates):
        return (
            "Some rates rest on the network's word alone and are marked unaudited; they have "
            "neither limits nor tests."
        )
    done = f"{audit.decided:,} of {audit.drawn:,} audit questions are answered"
    return (
        "Unaudited: all rates rest on the network's word alone. They have neither limits nor "
        f"tests, since it errs more on some hands than on others ({done})."
    )


def _few_units_caution(survey: SurveyData) -> str:
    """How little few units can show; empty without any."""
    arrays = survey.arrays
    word = arrays.unit_word
    units = {
        code: len(np.unique(arrays.unit_of[arrays.source_of == number]))
        for number, code in enumerate(arrays.sources)
    }
    if not units:
        return ""
    fewest = min(units.values())
    few = [code for code, count in units.items() if count < MIN_UNITS_WITHOUT_WARNING]
    too_few = [code for code, count in units.items() if count < MIN_UNITS_FOR_INTERVAL]
    missed = round(100 * (1 - BAD_UNITS_SHARE) ** fewest)
    size = f"{fewest} {word}{'s' if fewest > 1 else ''} a source"
    text = (
        f"If one {word} in {round(1 / BAD_UNITS_SHARE)} of a source were far worse than the "
        f"others, {missed} of 100 surveys with {size} would meet none of the bad ones. So a low "
        "rate clears nobody."
    )
    if too_few:
        return (
            f"No interval is given for {join_words(too_few)}: "
            f"fewer than {MIN_UNITS_FOR_INTERVAL} {word}s. {text}"
        )
    if few:
        return f"Few {word}s of {join_words(few)}: fewer than {MIN_UNITS_WITHOUT_WARNING}. {text}"
    return text
