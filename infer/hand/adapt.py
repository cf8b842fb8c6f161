"""The letters of one scroll read again with the forms that its own letters have.

It needs no training: each letter is compared with the scroll's other letters, whose classes the
text tells (`kernel.py`), and two weights are fitted (`forms.py`). A label comes from the alignment
of the whole page with its text, not from how the networks read the single letter: a letter that
they misread teaches most about a hand they do not know. The page is read and aligned again until
its labels no longer change. Without a text, letters that are surely read take the place of those
that it confirms (`sure_letters.py`), and then those that the language makes likely
(`likely_letters.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.infer.hand.contradictions import temper_contradictions
from crownlet.infer.hand.forms import (
    MixingWeights,
    fit_weights,
    is_settled,
    likelihood_gain,
    log_odds,
    softmax,
)
from crownlet.infer.hand.kernel import LetterDescriptors, class_scores, join_descriptors
from crownlet.infer.hand.likely_letters import read_by_likely_letters
from crownlet.infer.hand.sure_letters import read_by_sure_letters
from crownlet.infer.hand_records import HandForm, HandRecord
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Bools, Floats, Ints
from crownlet.infer.view.wording import latin_name

if TYPE_CHECKING:
    from crownlet.infer.text.match import AlignedText

_LIMITS = limits_of("hand.adapt")

UNLABELLED = -1
"""Class of a letter without a label."""

NEIGHBOUR_REACH = _LIMITS.whole("neighbour_reach")
"""Neighbours on either side that are checked for agreement with the text."""

MIN_AGREEING_NEIGHBOURS = _LIMITS.number("min_agreeing_neighbours")
"""Least share of them that agree; of a hand never seen a fifth of all letters is misread."""

MAX_ROUNDS = _LIMITS.whole("max_rounds")
"""Most readings; the labels of the pages measured settled after one or two."""

MIN_LABELLED_LETTERS = _LIMITS.whole("min_labelled_letters")
"""Labelled letters of a scroll below which its hand is not learned, and of a page below which it
cannot tell whether the other pages are by its own hand."""

MIN_GAIN_OF_STRANGE_HAND_NATS = _LIMITS.number("min_gain_of_strange_hand_nats")
"""Gain of log likelihood per letter from which a hand is strange to the networks, so that what they
read against the text is in doubt. Of 28 rendered mezuzot four gain more, two pages of the Middle
Ages 0.11 and 0.21."""

MIN_MISREAD_FOR_NOTE = _LIMITS.whole("min_misread_for_note")

MIN_MISREAD_SHARE_FOR_NOTE = _LIMITS.number("min_misread_share_for_note")
"""Share of a class's letters, misread by the networks alone, from which a note names the class."""

SWITCHED_OFF = "The hand was not learned: this was switched off."

NO_HIDDEN_OUTPUT = "The hand was not learned: these networks do not give what that needs."

NO_TEXT = "The hand was not learned: no text of the page is known."


@dataclass(frozen=True)
class LabelledLetters:
    """The N letters of one page of a scroll, in reading order."""

    letters: LetterDescriptors
    """(N)"""
    odds: Floats
    """(N, 27) probability of each class, by the networks alone."""
    labels: Ints
    """(N,) class by the text, `UNLABELLED` where it confirms none."""


@dataclass(frozen=True)
class HandSettings:
    """What is known of a hand beside the page that is read; without `learn` nothing is learned."""

    learn: bool = True
    means: Floats | None = None
    """(27, H) class means of the training; None where the networks do not give them."""
    others: tuple[LabelledLetters, ...] = ()
    """Letters of other pages of the scroll."""


@dataclass(frozen=True)
class HandReading:
    """A page's letters as read by its hand, and the record of it."""

    odds: Floats
    """(N, 27); the very object given where the hand was not learned."""
    record: HandRecord
    aligned: AlignedText | None = None
    """The page aligned with these odds, where `read_again` did so."""


def read_again(
    settings: HandSettings,
    describe: Callable[[], LetterDescriptors | None],
    odds: Floats,
    aligned: AlignedText | None,
    realign: Callable[[Floats, AlignedText], AlignedText],
    in_sequence: Callable[[Floats], Floats | None],
) -> HandReading:
    """A page's letters as read by its hand.

    `describe` gives the N letters; they and `odds` (N, 27), those of the networks alone, are in
    reading order. `realign` aligns the page with other odds to the text of an alignment. That takes
    as long as learning, and is done once the labels of the alignment at hand have settled.
    `in_sequence` gives each letter's probability in view of its neighbours where there is no text,
    or None.
    """
    if not settings.learn:
        return HandReading(odds, not_learned(SWITCHED_OFF))
    letters = describe()
    if aligned is None:
        return _read_without_text(letters, odds, in_sequence)
    if letters is None:
        return HandReading(odds, not_learned(NO_HIDDEN_OUTPUT))
    labels = label_letters(aligned, odds)
    for _ in range(MAX_ROUNDS):
        reading = learn_hand(LabelledLetters(letters, odds, labels), settings.others)
        if not reading.record.learned:
            return reading
        before, labels = labels, label_letters(aligned, reading.odds)
        if is_settled(before, labels):
            aligned = realign(reading.odds, aligned)
            before, labels = labels, label_letters(aligned, reading.odds)
            if is_settled(before, labels):
                return replace(reading, aligned=aligned)
    return replace(reading, aligned=realign(reading.odds, aligned))


def _read_without_text(
    letters: LetterDescriptors | None, odds: Floats, in_sequence: Callable[[Floats], Floats | None]
) -> HandReading:
    """A page read again by those of its letters that are sure, and by those that are likely."""
    if letters is None:
        return HandReading(odds, not_learned(NO_TEXT))
    again = read_by_sure_letters(letters, odds)
    if again is not odds:
        again = read_by_likely_letters(letters, odds, again, in_sequence)
    return HandReading(again, replace(not_learned(NO_TEXT), changed=_changed(odds, again)))


def label_letters(aligned: AlignedText, odds: Floats) -> Ints:
    """(N,) the class that the text has at each glyph, `UNLABELLED` where the alignment is in doubt.

    `odds` (N, 27), in reading order, are those with which the text was aligned. In doubt are glyphs
    beside absent or extra letters, and those most of whose neighbours are read otherwise.
    """
    expected = aligned.alignment.expected
    text = np.array([index_of(char) for char in aligned.text], np.int64)
    in_text = expected >= 0
    labels = np.where(in_text, text[np.maximum(expected, 0)], UNLABELLED)
    agree = in_text & (labels == odds.argmax(axis=1))
    sound = in_text & in_sequence(expected)
    sound &= share_of_agreeing_neighbours(agree) >= MIN_AGREEING_NEIGHBOURS
    return np.where(sound, labels, UNLABELLED)


def learn_hand(page: LabelledLetters, others: Sequence[LabelledLetters] = ()) -> HandReading:
    """The odds of `page` with the hand known from its own letters and those of `others`.

    A page with enough letters of its own uses `others` only where its own letters are read better
    with them than without: pages of one scroll may be by two hands. A hand that the networks know
    changes few letters, or none, and then its page stays as they read it.
    """
    enough = int((page.labels >= 0).sum()) >= MIN_LABELLED_LETTERS
    choices: list[tuple[LabelledLetters, ...]] = [(page,)] if enough else []
    if others or not enough:
        choices.append((page, *others))
    labelled = sum(int((p.labels >= 0).sum()) for p in choices[-1])
    if labelled < MIN_LABELLED_LETTERS:
        why = f"its text confirms {labelled} letters, and {MIN_LABELLED_LETTERS} are needed."
        return HandReading(page.odds, not_learned(f"The hand was not learned: {why}"))
    fits = [_fit(pages, judged_by_page=enough) for pages in choices]
    fit = max(fits, key=lambda f: f.gain)
    mixed = softmax(fit.weights.networks * _log(page.odds) + fit.weights.hand * fit.scores)
    strange = fit.gain >= MIN_GAIN_OF_STRANGE_HAND_NATS
    if not strange and (mixed.argmax(axis=1) == page.odds.argmax(axis=1)).all():
        letters = int(fit.counts.sum())
        why = f"The hand is one that the networks know ({letters} letters): nothing was changed."
        return HandReading(page.odds, not_learned(why))
    if strange:
        mixed = temper_contradictions(mixed, page.labels)
    # "No letter" keeps its share.
    odds = mixed * page.odds.sum(axis=1, keepdims=True)
    return HandReading(odds, _record(page, odds, fit))


def not_learned(why: str) -> HandRecord:
    """The record of a page whose hand was not learned, `why` being a sentence."""
    return HandRecord(learned=False, why=why)


def hand_notes(record: HandRecord) -> tuple[str, ...]:
    """Sentences for the top of a page: what was learned, and letters to look at for it.

    A letter that the networks take for another again and again may be the form of the hand, and may
    be a fault that the scribe always makes: the letters alone do not show which.
    """
    if not record.learned:
        return ()
    notes = [record.why]
    for form in record.forms:
        if form.misread < max(MIN_MISREAD_FOR_NOTE, MIN_MISREAD_SHARE_FOR_NOTE * form.letters):
            continue
        still = (
            f", and {form.still_misread} still do beside the others of this hand"
            if form.still_misread
            else ""
        )
        notes.append(
            f"Of {form.letters} letters that the text has as {latin_name(form.letter)}, "
            f"{form.misread} look like another letter, mostly {latin_name(form.taken_for)}{still}. "
            "Look whether this is the form of the hand or a fault that repeats."
        )
    return tuple(notes)


def in_sequence(expected: Ints) -> Bools:
    """(N,) glyphs whose neighbours on both sides are aligned to the letters next to their own."""
    follows = np.ones(len(expected) + 1, bool)
    here, after = expected[:-1], expected[1:]
    follows[1:-1] = (here >= 0) & (after >= 0) & (after - here == 1)
    return np.asarray(follows[:-1] & follows[1:])


def share_of_agreeing_neighbours(agree: Bools) -> Floats:
    """(N,) share of each glyph's neighbours, itself left out, that agree with the text."""
    kernel = np.ones(2 * NEIGHBOUR_REACH + 1)
    kernel[NEIGHBOUR_REACH] = 0.0
    inner = slice(NEIGHBOUR_REACH, NEIGHBOUR_REACH + len(agree))
    agreeing = np.convolve(agree.astype(np.float64), kernel, "full")[inner]
    neighbours = np.convolve(np.ones(len(agree)), kernel, "full")[inner]
    return np.asarray(agreeing / np.maximum(neighbours, 1.0))


@dataclass(frozen=True)
class _Fit:
    """What was learned from the L labelled letters of some pages."""

    pages: int
    weights: MixingWeights
    gain: float
    """Of the first page's labels where these are enough, else of those of all pages."""
    scores: Floats
    """(N, 27) of the first page's letters."""
    labels: Ints
    """(L,)"""
    alone: Ints
    """(L,) classes as the networks alone read them."""
    now: Ints
    """(L,) classes as read with the hand."""

    @property
    def counts(self) -> Ints:
        """(27,) labelled letters of each class."""
        return np.bincount(self.labels, minlength=LETTER_CLASSES)


def _fit(pages: Sequence[LabelledLetters], *, judged_by_page: bool) -> _Fit:
    """Scores and weights from all pages; `judged_by_page`: the gain is that of the first page."""
    labels = np.concatenate([p.labels for p in pages])
    logs = _log(np.concatenate([p.odds for p in pages]))
    scores = class_scores(join_descriptors([p.letters for p in pages]), labels)
    count = len(pages[0].labels)
    rows = np.flatnonzero(labels >= 0)
    weights = fit_weights(logs[rows], scores[rows], labels[rows])
    gain = weights.gain
    if judged_by_page and len(pages) > 1:
        own = rows[rows < count]
        gain = likelihood_gain(weights, logs[own], scores[own], labels[own])
    mixed = weights.networks * logs[rows] + weights.hand * scores[rows]
    return _Fit(
        len(pages), weights, gain, scores[:count], labels[rows], logs[rows].argmax(axis=1),
        mixed.argmax(axis=1),
    )  # fmt: skip


def _log(odds: Floats) -> Floats:
    """(N, 27) log probabilities of the letters; "no letter" takes no part."""
    logs = log_odds(odds)
    return np.asarray(logs - np.log(np.exp(logs).sum(axis=1, keepdims=True)))


def _record(page: LabelledLetters, odds: Floats, fit: _Fit) -> HandRecord:
    """What was learned, and which letters of the page are read otherwise for it."""
    changed = _changed(page.odds, odds)
    letters = len(fit.labels)
    where = "this page" if fit.pages == 1 else f"{fit.pages} pages of this scroll"
    why = (
        f"The page was read again by the hand's own forms, learned from {letters} letters of "
        f"{where} that the text confirms; letters that are now read otherwise: {len(changed)}."
    )
    forms = tuple(_form(int(kind), fit) for kind in np.flatnonzero(fit.counts))
    return HandRecord(
        True, why, letters, fit.pages, round(fit.weights.networks, 3), round(fit.weights.hand, 3),
        round(fit.gain, 4), changed, forms,
    )  # fmt: skip


def _changed(alone: Floats, now: Floats) -> tuple[tuple[int, str, str], ...]:
    """Letters read otherwise than by the networks alone, as in `HandRecord.changed`."""
    before, after = alone.argmax(axis=1), now.argmax(axis=1)
    return tuple(
        (int(i) + 1, LETTERS[before[i]], LETTERS[after[i]]) for i in np.flatnonzero(before != after)
    )


def _form(kind: int, fit: _Fit) -> HandForm:
    """How the labelled letters of one class were read, by the networks alone and by the hand."""
    here = fit.labels == kind
    misread = fit.alone[here & (fit.alone != kind)]
    taken_for = LETTERS[int(np.bincount(misread).argmax())] if len(misread) else ""
    still = int((fit.now[here & (fit.alone != kind)] != kind).sum())
    return HandForm(LETTERS[kind], int(here.sum()), len(misread), taken_for, still)
