"""Which defects the picture cannot show, letter by letter, and what the hand is like."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.hand_records import HandFamiliarity
from crownlet.infer.letters.refusal import (
    OVEREXPOSED_TEXT,
    is_too_slanted,
    only_read_sentence,
)
from crownlet.infer.letters.scale import MIN_MEASURED_BODY_PX, MIN_RESOLVED_BODY_PX
from crownlet.infer.quality.familiarity import (
    MIN_AGREEMENT_OF_UNLIKE_HAND,
    describe_hand,
    letter_surprise,
    measure_extent,
    shape_deviation,
    stretch_probability,
    stretch_ratios,
    unfamiliarity,
)
from crownlet.infer.quality.measures import PictureMeasures
from crownlet.infer.records import (
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    Assessed,
    Bools,
    Floats,
    Located,
)
from crownlet.infer.thresholds import GROUP_WORDS, PictureNeed, PictureNeeds, PictureRules

_JUDGEMENTS = (*CATALOGUE, TAG_NONE)

_EVERY_FAULT = frozenset(CATALOGUE) - {SHAPE_DOUBT} | {TAG_NONE}

_FAULTS_OF_FORM = frozenset(
    name for name in _EVERY_FAULT if name != TAG_NONE and CATALOGUE[name].family != "crowns"
)
"""What can not be judged of a letter that is cut; its crown stands above it, and is often whole."""


@dataclass(frozen=True)
class PictureLimits:
    """What the picture of a page does not allow, for its N letters in one order."""

    skipped: tuple[frozenset[str], ...]
    """(N) defects that the picture does not show well enough on each letter."""
    unresolved: tuple[str, ...]
    """Defects not judged on the whole page."""
    sentences: tuple[str, ...]
    """What is not judged, where and why, in words and numbers."""
    unfamiliar: Bools
    """(N,) whether a letter is unlike what is known by its surprise or its shape."""
    familiarity: HandFamiliarity
    """Whether the hand is one that the promise covers."""
    doubted_page: bool
    """Whether this may be no square script; then nothing on the page is more than a review."""
    stretched: Floats
    """(N,) probability that a letter is drawn out."""
    poor_picture: bool = False
    """Whether the letters are too small to be judged, or were seen at a slant."""

    blurred: bool = False
    """Whether the picture is too soft for any letter to be clear."""
    cut: Bools | None = None
    """(N,) whether each letter is cut by the frame."""

    @property
    def review_only(self) -> bool:
        """Whether nothing on the page is more than a review."""
        return self.doubted_page or self.poor_picture

    def only_read(self, sentence: str) -> PictureLimits:
        """The same for letters too small to be judged: no defect is."""
        skipped = (_EVERY_FAULT,) * len(self.skipped)
        return replace(
            self, poor_picture=True, skipped=skipped, sentences=(*self.sentences, sentence)
        )

    def without(self, cut: Bools) -> PictureLimits:
        """The same for a page of which the picture cuts some letters, (N,): their forms are not
        judged."""
        skipped = tuple(
            names | _FAULTS_OF_FORM if here else names
            for names, here in zip(self.skipped, cut, strict=True)
        )
        return replace(self, skipped=skipped, cut=cut)

    @property
    def unfamiliar_share(self) -> float:
        """Share of the letters that are unlike what is known."""
        return float(self.unfamiliar.mean()) if len(self.unfamiliar) else 0.0


@dataclass(frozen=True)
class IllegibleGroups:
    """Which of N letters the picture does not show well enough, group by group."""

    letters: Mapping[str, Bools]
    """(N,) by group."""
    unresolved: tuple[str, ...]
    """Groups that are illegible on the whole page, and so on every letter."""
    sentences: tuple[str, ...]
    """The same in words and numbers."""


def limits_of(
    measures: PictureMeasures,
    found: Located,
    assessed: Assessed,
    odds: Floats,
    picture: PictureRules,
    means: Floats | None,
    agreement: float,
    doubted_agreement: float,
    confirmed: bool,
    slant_degrees: float = 0.0,
) -> PictureLimits:
    """Limits for N letters; `found` on the upright page, `odds` (N, 27) by both networks.

    `means` (27, H) are the class means of the training, where the networks give them. `agreement`
    of the networks on what is located, of which at least `doubted_agreement` is needed for square
    script; `confirmed`: the page agrees with a text. `slant_degrees`: at which it was taken.
    """
    letter = odds.argmax(axis=1)
    size = measure_extent(found)
    bounds = picture.familiar
    nats = letter_surprise(found, assessed, odds)
    unfamiliar = unfamiliarity(nats, shape_deviation(size, letter), bounds) >= 1.0
    blind = find_illegible(measures, picture.needs)
    members = _defects_by_group(picture.needs)
    skipped = tuple(
        frozenset(name for group, bad in blind.letters.items() if bad[i] for name in members[group])
        for i in range(len(letter))
    )
    familiarity = describe_hand(assessed.hidden, letter, means, nats, bounds)
    least = doubted_agreement
    if not familiarity.known and not confirmed:
        least = max(least, MIN_AGREEMENT_OF_UNLIKE_HAND)
    limits = PictureLimits(
        skipped=skipped,
        unresolved=_unresolved_judgements(picture.needs, blind.unresolved),
        sentences=blind.sentences + ((OVEREXPOSED_TEXT,) if measures.edges_burnt_out else ()),
        unfamiliar=unfamiliar,
        familiarity=familiarity,
        doubted_page=agreement < least,
        stretched=stretch_probability(stretch_ratios(size.width, letter), picture.stretch),
        blurred=not measures.is_resolved,
    )
    if too_small := why_too_small(measures, found):
        return limits.only_read(too_small)
    # Of a slanted page lengths along and across the lines differ.
    slanted = slant_degrees > 0 and is_too_slanted(slant_degrees)
    return replace(limits, poor_picture=True) if slanted else limits


def _unresolved_judgements(needs: PictureNeeds, groups: tuple[str, ...]) -> tuple[str, ...]:
    """Judgements made on no letter of the page; letters of which one tag is asked may be judged by
    whether any stands there where tags are not counted."""
    names = [name for name in _JUDGEMENTS if needs.group_of(name) in groups]
    if TAG_NONE not in names:
        names = [name for name in names if name != TAG_MISSING]
    return tuple(names)


def why_too_small(measures: PictureMeasures, found: Located) -> str:
    """Why the N letters are only read, in one sentence; "" where they are large enough."""
    body = float(np.median(found.height))
    resolved = 3 * float(np.median(measures.true_q_px))
    if body < MIN_MEASURED_BODY_PX or resolved < MIN_RESOLVED_BODY_PX:
        return only_read_sentence(body, resolved)
    return ""


def find_illegible(measures: PictureMeasures, needs: PictureNeeds) -> IllegibleGroups:
    """Compare every letter's measures with what each group of defects needs."""
    letters: dict[str, Bools] = {}
    unresolved, sentences = [], []
    for group, need in needs.groups.items():
        failures = [(rule, rule.fails(measures, need)) for rule in _NEED_RULES]
        failing = np.logical_or.reduce([bad for _, bad in failures])
        total, count = len(failing), int(failing.sum())
        if not count:
            letters[group] = failing
            continue
        whole = count >= needs.nearly_all * total
        if whole:
            unresolved.append(group)
            failing = np.ones(total, np.bool_)
        letters[group] = failing
        of = GROUP_WORDS[group] if whole else f"{GROUP_WORDS[group]} of {count} of {total} letters"
        reasons = [rule.words(measures, need, bad) for rule, bad in failures if bad.any()]
        sentences.append(f"{of}: " + "; ".join(reasons))
    return IllegibleGroups(letters, tuple(unresolved), tuple(sentences))


@dataclass(frozen=True)
class _NeedRule:
    """One measure against its limit: the `least` or the most that a need allows."""

    value: Callable[[PictureMeasures], Floats]
    limit: Callable[[PictureNeed], float]
    least: bool
    text: str

    def fails(self, measures: PictureMeasures, need: PictureNeed) -> Bools:
        value, limit = self.value(measures), self.limit(need)
        return np.asarray(value < limit if self.least else value > limit, np.bool_)

    def words(self, measures: PictureMeasures, need: PictureNeed, bad: Bools) -> str:
        return self.text.format(self.limit(need), float(np.median(self.value(measures)[bad])))


_NEED_RULES = (
    _NeedRule(
        lambda m: m.true_q_px, lambda n: n.q_px, True,
        "a resolution of {:.2g} px per kulmus needed, here {:.2g}",
    ),
    _NeedRule(
        lambda m: m.edge_q, lambda n: n.edge_q, False,
        "edges of at most {:.2f} kulmus needed, here {:.2f}",
    ),
    _NeedRule(
        lambda m: m.contrast, lambda n: n.contrast, True,
        "contrast of ink and skin of {:.2f} needed, here {:.2f}",
    ),
    _NeedRule(
        lambda m: m.glare, lambda n: n.glare, False,
        "glare over at most {:.0%} of a letter, here {:.0%}",
    ),
)  # fmt: skip


def _defects_by_group(needs: PictureNeeds) -> dict[str, tuple[str, ...]]:
    """Defects by the group whose need they have."""
    return {
        group: tuple(name for name in _JUDGEMENTS if needs.group_of(name) == group)
        for group in needs.groups
    }
