"""One definition of seen, doubted, clear and not examined for every count, table and sentence.

A fault is seen where its probability reaches the threshold of a finding of its own judgement and no
measure, page or picture has sent it back to review; it is doubted between that threshold and the
one below which it is clear. Routing writes both into the record (`reasons`, `sure`), so what reads
a record needs no threshold, and two counts of one page can never differ. What its hand or its page
explains is taken out of both again (`Changes`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.infer.records import TAG_MISSING, TAG_NONE, GapRecord, GlyphRecord, Route

if TYPE_CHECKING:
    from crownlet.infer.thresholds import ThresholdPair

Judgement = Literal["seen", "doubted", "clear", "not_examined", "not_asked"]
"""What a record holds of one fault on one letter or gap; `not_examined` where the picture does not
show it well enough, `not_asked` where the fault does not apply or the customs expect nothing."""


JUDGED: frozenset[Judgement] = frozenset({"seen", "doubted", "clear"})
"""Judgements of what was examined."""


def judge(p: float, pair: ThresholdPair) -> Judgement:
    """The judgement of a probability by the two thresholds of its fault."""
    if p >= pair.finding:
        return "seen"
    return "doubted" if p >= pair.clear else "clear"


def judgement_of(
    row: GlyphRecord | GapRecord, kind: str, unresolved: Collection[str] = ()
) -> Judgement:
    """What the record of a letter or gap holds of one fault.

    `unresolved` are the faults that no letter of the page was examined for
    (`PageRecord.unresolved`).
    """
    if isinstance(row, GlyphRecord):
        if kind in row.habits:
            return "seen"  # It is evidence of a habit of the hand, and no reason of the letter.
        if kind in row.shared_doubts or kind in row.accepted_doubts:
            return "doubted"
    if kind in row.reasons:
        return "seen" if kind in seen_kinds(row) else "doubted"
    if _probability(row, kind) is None:
        return "not_asked"
    skipped = row.not_examined if isinstance(row, GlyphRecord) else ()
    return "not_examined" if kind in skipped or kind in unresolved else "clear"


def seen_kinds(row: GlyphRecord | GapRecord) -> tuple[str, ...]:
    """The faults that are seen on a letter or gap, each a finding by itself."""
    # A measure may have sent a finding to review. Runs of old versions hold no `sure`: there the
    # first reason is the one of the route.
    return (row.sure or row.reasons[:1]) if row.route == "finding" else ()


@dataclass(frozen=True)
class Tally:
    """How many letters or gaps there are of each judgement of one fault."""

    seen: int = 0
    doubted: int = 0
    clear: int = 0
    not_examined: int = 0

    @property
    def judged(self) -> int:
        """How many were examined for it."""
        return self.seen + self.doubted + self.clear

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.seen + other.seen,
            self.doubted + other.doubted,
            self.clear + other.clear,
            self.not_examined + other.not_examined,
        )


Crown = Literal["full", "part", "none", "uncounted", "doubted", "not_examined"]
"""The crown of a letter against the one that its form can have; `full` of a form that has none by
its class is any tag at all. Of an `uncounted` one the picture shows that it is there, and not how
many tags it has."""


def crown_of(row: GlyphRecord, unresolved: Collection[str] = ()) -> Crown:
    """The crown of a letter by the judgement of missing tags, or of tags where none is asked.

    Where the customs expect nothing there is no judgement, and the count of tags decides.
    """
    expected = row.tags_expected
    if expected is None:
        if not {"tag_missing", "tag_excess"}.isdisjoint({*row.not_examined, *unresolved}):
            return "not_examined"
        return _crown_by_count(row.tags_seen, max(BY_CHAR[row.letter].crown, 1))
    if expected > 1 and TAG_MISSING in {*row.not_examined, *unresolved}:
        return _crown_by_presence(row, unresolved)
    judged = judgement_of(row, TAG_MISSING if expected else "tag_excess", unresolved)
    if judged in ("doubted", "not_examined"):
        return "not_examined" if judged == "not_examined" else "doubted"
    if expected:
        return "full" if judged != "seen" else "part" if row.tags_seen else "none"
    return _crown_by_count(row.tags_seen, max(BY_CHAR[row.letter].crown, 1))


def _crown_by_presence(row: GlyphRecord, unresolved: Collection[str]) -> Crown:
    """The crown of a letter whose tags the picture does not let anyone count."""
    if TAG_NONE in {*row.not_examined, *unresolved} or row.p.get(TAG_NONE) is None:
        return "not_examined"
    if TAG_MISSING not in {*row.reasons, *row.habits}:
        return "uncounted"
    return "none" if judgement_of(row, TAG_MISSING) == "seen" else "doubted"


def _crown_by_count(tags: int, full: int) -> Crown:
    return "full" if tags >= full else "part" if tags else "none"


def tally(judgements: Iterable[Judgement]) -> Tally:
    """Counts of judgements; those not asked are left out."""
    listed = list(judgements)
    return Tally(
        listed.count("seen"), listed.count("doubted"), listed.count("clear"),
        listed.count("not_examined"),
    )  # fmt: skip


def tally_of(
    rows: Iterable[GlyphRecord | GapRecord], kind: str, unresolved: Collection[str] = ()
) -> Tally:
    """Counts of the judgements of one fault over letters or gaps."""
    return tally(judgement_of(row, kind, unresolved) for row in rows)


def describe_tally(count: Tally, one: str, many: str) -> str:
    """What is seen as a fact and what is doubted as a doubt: "1 bare crown seen, 28 more doubtful".

    `one` and `many` are the words for a single fault and for several of them.
    """
    if not count.seen:
        return f"no {one} seen" + (f", {count.doubted:,} doubtful" if count.doubted else "")
    found = f"{count.seen:,} {one if count.seen == 1 else many} seen"
    return f"{found}, {count.doubted:,} more doubtful" if count.doubted else found


def _probability(row: GlyphRecord | GapRecord, kind: str) -> float | None:
    """Probability of a fault on a letter or gap; None where it is not asked there."""
    if isinstance(row, GlyphRecord):
        return row.p.get(kind)
    by_kind = {
        "words_joined": row.p_words_joined,
        "word_parted": row.p_word_parted,
        "letters_touch": row.p_letters_touch,
    }
    return by_kind.get(kind)


@dataclass
class Changes:
    """What becomes of the reasons of one letter."""

    evidence: set[str] = field(default_factory=set)
    """Seen on it, and shown by a statement."""
    usual: set[str] = field(default_factory=set)
    """Doubts that do not stand out from the hand."""
    doubted: set[str] = field(default_factory=set)
    """Seen on it, yet no more than on its sisters: not a finding of this letter."""
    shared: set[str] = field(default_factory=set)
    """Doubts that a statement asks about."""
    accepted: set[str] = field(default_factory=set)
    """Doubts about what the customs accept."""


def change_letter(glyph: GlyphRecord, changes: Changes) -> GlyphRecord:
    """A letter without the reasons that its hand explains."""
    gone = changes.evidence | changes.usual | changes.shared | changes.accepted
    if not (gone | changes.doubted) & {*glyph.reasons}:
        return glyph
    reasons = tuple(name for name in glyph.reasons if name not in gone)
    sure = tuple(name for name in glyph.sure if name not in gone | changes.doubted)
    evidence = tuple(name for name in glyph.reasons if name in changes.evidence)
    habits = (*glyph.habits, *evidence)
    shared = tuple(name for name in glyph.reasons if name in changes.shared)
    accepted = tuple(name for name in glyph.reasons if name in changes.accepted)
    return replace(
        glyph, reasons=reasons, sure=sure, habits=habits, route=_route(glyph, reasons, sure),
        shared_doubts=(*glyph.shared_doubts, *shared),
        accepted_doubts=(*glyph.accepted_doubts, *accepted),
    )  # fmt: skip


def without_reason(gap: GapRecord, reason: str) -> GapRecord:
    """A gap without one of its reasons."""
    reasons = tuple(name for name in gap.reasons if name != reason)
    sure = tuple(name for name in gap.sure if name != reason)
    return replace(gap, reasons=reasons, sure=sure, route=_route(gap, reasons, sure))


def change_gap(gap: GapRecord, doubted: frozenset[str]) -> GapRecord:
    """A gap of which some reasons are doubts."""
    sure = tuple(name for name in gap.sure if name not in doubted)
    return replace(gap, sure=sure, route=_route(gap, gap.reasons, sure))


def _route(row: GlyphRecord | GapRecord, reasons: Sequence[str], sure: Sequence[str]) -> Route:
    """The route that the remaining reasons have."""
    if not reasons:
        return "clear"
    return "finding" if row.route == "finding" and sure else "review"
