"""Sentences of a survey's report that stand beside its tables."""

from __future__ import annotations

from crownlet.infer.plain import said
from crownlet.infer.survey.figuring import interval, one_of, percent
from crownlet.infer.survey.gathering import Gathered
from crownlet.infer.survey.plainly import SURE
from crownlet.infer.survey.records import MIN_SCROLLS, Comparison, Contrast, Share


def lead(survey: Gathered) -> str:
    """What was compared, in one sentence."""
    sources, letters = len(survey.tables.sources), len(survey.page)
    many = f"{sources} sources" if sources > 1 else "one source"
    return (
        f"{len(survey.scrolls):,} scrolls of {many}, {letters:,} letters: how often each kind of "
        "finding stands on them, how sure that is, and whether the sources differ."
    )


def audited(survey: Gathered) -> str:
    """How far the audit has come."""
    audit = survey.audit
    if not audit.drawn:
        return "No letters were drawn for an audit: every rate here is the network's word alone."
    done = f"{audit.decided:,} of {audit.drawn:,} questions drawn by lot are answered"
    rest = f", {audit.cannot_tell:,} more could not be" if audit.cannot_tell else ""
    return f"Audit: {done}{rest}."


def tests(results: Comparison) -> str:
    """How many comparisons were made, and what their p values mean."""
    made = sum(c.p is not None for c in results.contrasts)
    if not made:
        return (
            f"No two sources can be compared: that asks for {MIN_SCROLLS} scrolls of each that are "
            "not all alike."
        )
    return (
        f"{made:,} comparisons were made, scroll by scroll, each scroll counting once, so that a "
        "difference may be a little other than that of two rates above. p is how often so great a "
        "difference would come about if the sources were alike; among so many, some are small by "
        "chance. Only the corrected p speaks for all of them together (what no reader checked is "
        f"corrected apart): below {SURE:.2f} the survey says that two sources differ. Low and "
        "high are not corrected."
    )


def tested(results: Comparison) -> tuple[Contrast, ...]:
    """The comparisons made: what a reader stands behind, the plainest first, then the rest."""
    made = [c for c in results.contrasts if c.p_holm is not None]
    least: dict[str, float] = {}
    for c in made:
        least[c.defect] = min(c.p or 0.0, least.get(c.defect, 1.0))

    def place(c: Contrast) -> tuple[bool, float, str]:
        return c.basis == "unaudited", least[c.defect], c.defect

    return tuple(sorted(made, key=place))


def untested(results: Comparison) -> str:
    """Which comparisons could not be made; empty if all could."""
    kinds: dict[str, list[str]] = {}
    for c in results.contrasts:
        if c.p_holm is None:
            kinds.setdefault(said(c.defect), []).append(f"{c.first} with {c.second}")
    if not kinds:
        return ""
    every = len(results.contrasts) // len({c.defect for c in results.contrasts})
    listed = ", ".join(
        kind if len(pairs) >= every else f"{kind} ({', '.join(pairs)})"
        for kind, pairs in kinds.items()
    )
    return (
        "Not compared, for want of scrolls, since no scroll differs from its fellows, or since "
        f"only one of two sources was audited: {listed}."
    )


def found(results: Comparison) -> tuple[Share, ...]:
    """Shares of scrolls, without the kinds that were found nowhere."""
    seen = {share.defect for share in results.shares if share.with_finding}
    return tuple(s for s in results.shares if s.defect in seen or s.defect == "any")


def sides(results: Comparison) -> str:
    """What the two sides of the same scrolls tell, all sources together."""
    sure = [p for p in results.pairs if p.p_holm is not None and p.p_holm < SURE]
    apart = [p for p in sure if p.basis != "unaudited"]
    bare = len(sure) - len(apart)
    words = [
        f"{said(p.defect)} is {'commoner' if p.difference > 0 else 'rarer'} on the face "
        f"(by {percent(abs(p.difference))} of its letters; {interval(p.low, p.high)})"
        for p in apart
    ]
    said_so = f"Here {one_of(words)}." if words else "No difference between the sides was shown."
    if bare:
        kinds = f"{bare} kinds" if bare > 1 else "one kind"
        said_so += f" In {kinds} the network's word differs, which no reader has checked."
    return (
        "The two sides of the same scrolls, all sources together, scroll against itself: the rate "
        f"on the face less that on the reverse. {said_so} A reverse has few letters, and many "
        "kinds can hardly stand on it."
    )


def lots(seed: int) -> str:
    """How the example letters were chosen."""
    return (
        f"Neither the worst nor the best: these letters were drawn by lot (seed {seed}), the first "
        "rows among all letters of a source, the others among those that the tool marked. What is "
        "marked may not be there. The letter meant stands in the middle; letters of the Divine "
        "Name are not drawn, and lie under plates where they stand beside one."
    )
