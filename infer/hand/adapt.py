"""The letters of one scroll read again with the forms that its own letters have.

It needs no training: class means are moved toward the scroll's own letters, and two weights are
fitted. It needs the text: labels that the networks alone gave to nine pages by scribes of the
Middle Ages brought no gain, or harm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.hand.forms import HandForms, fit_forms
from crownlet.infer.hand.weights import MixingWeights, fit_weights, likelihood_gain, softmax
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Floats, HandForm, HandRecord, Ints
from crownlet.infer.view.wording import latin_name

_LIMITS = limits_of("hand.adapt")

MIN_LABELLED_LETTERS = _LIMITS.whole("min_labelled_letters")
"""Labelled letters of a scroll below which its hand is not learned, and of a page below which it
cannot tell whether the other pages are by its own hand."""

MIN_GAIN_NATS = _LIMITS.number("min_gain_nats")
"""Least gain of log likelihood per letter; below it the networks know the hand well enough. Nine
rendered mezuzot gain up to 0.045, two pages of the Middle Ages 0.5. With 0.01 a few letters more
come right, and 3 of 549 exchanged letters are no longer noticed."""

MIN_ODDS = _LIMITS.number("min_odds")

MIN_MISREAD_FOR_NOTE = _LIMITS.whole("min_misread_for_note")

MIN_MISREAD_SHARE_FOR_NOTE = _LIMITS.number("min_misread_share_for_note")
"""Share of a class's letters, misread by the networks alone, from which a note names the class."""

SWITCHED_OFF = "The hand was not learned: this was switched off."

NO_HIDDEN_OUTPUT = "The hand was not learned: these networks do not give what that needs."

NO_TEXT = "The hand was not learned: no text of the page is known."


@dataclass(frozen=True)
class LabelledLetters:
    """The N letters of one page of a scroll, in reading order."""

    hidden: npt.NDArray[np.float32]
    """(N, H) the numbers from which the assessor's last layer reads each."""
    odds: Floats
    """(N, 27) probability of each class, by the networks alone."""
    labels: Ints
    """(N,) class by the text, -1 where it confirms none."""


@dataclass(frozen=True)
class HandReading:
    """A page's letters as read by its hand, and the record of it."""

    odds: Floats
    """(N, 27); the very object given where the hand was not learned."""
    record: HandRecord


def learn_hand(
    page: LabelledLetters, others: Sequence[LabelledLetters], means: Floats
) -> HandReading:
    """The odds of `page` with the hand known from its own letters and those of `others`.

    `means` (27, H) are the class means of the training. A page with enough letters of its own uses
    `others` only where its own letters are read better with them than without: pages of one scroll
    may be by two hands.
    """
    enough = int((page.labels >= 0).sum()) >= MIN_LABELLED_LETTERS
    choices: list[tuple[LabelledLetters, ...]] = [(page,)] if enough else []
    if others or not enough:
        choices.append((page, *others))
    labelled = sum(int((p.labels >= 0).sum()) for p in choices[-1])
    if labelled < MIN_LABELLED_LETTERS:
        why = f"its text confirms {labelled} letters, and {MIN_LABELLED_LETTERS} are needed."
        return HandReading(page.odds, not_learned(f"The hand was not learned: {why}"))
    fits = [_fit(pages, means, judged_by_page=enough) for pages in choices]
    fit = max(fits, key=lambda f: f.gain)
    if fit.gain < MIN_GAIN_NATS:
        letters = int(fit.forms.counts.sum())
        why = f"The hand is one that the networks know ({letters} letters): nothing was changed."
        return HandReading(page.odds, not_learned(why))
    mixed = softmax(fit.weights.networks * _log(page.odds) + fit.weights.hand * fit.scores)
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
        often = max(MIN_MISREAD_FOR_NOTE, MIN_MISREAD_SHARE_FOR_NOTE * form.letters)
        if form.misread < often:
            continue
        near = f" It comes near this hand's {latin_name(form.nearest)}." if form.held else ""
        notes.append(
            f"The networks alone read {form.misread} of {form.letters} letters that the text has "
            f"as {latin_name(form.letter)} as another letter.{near} Look whether this is the form "
            "of the hand or a fault that repeats."
        )
    return tuple(notes)


@dataclass(frozen=True)
class _Fit:
    pages: int
    forms: HandForms
    weights: MixingWeights
    gain: float
    """Of the first page's labels where these are enough, else of those of all pages."""
    scores: Floats
    """(N, 27) of the first page's letters."""
    misread: Ints
    """(27,) letters of each class that the networks alone misread, of all pages."""


def _fit(pages: Sequence[LabelledLetters], means: Floats, *, judged_by_page: bool) -> _Fit:
    """Forms and weights from all pages; `judged_by_page`: the gain is that of the first page."""
    labels = np.concatenate([p.labels for p in pages])
    odds = np.concatenate([p.odds for p in pages])
    forms = fit_forms(np.concatenate([p.hidden for p in pages]).astype(np.float64), labels, means)
    count = len(pages[0].labels)
    rows = np.flatnonzero(labels >= 0)
    misread = rows[odds[rows].argmax(axis=1) != labels[rows]]
    weights = fit_weights(_log(odds[rows]), forms.scores[rows], labels[rows])
    gain = weights.gain
    if judged_by_page and len(pages) > 1:
        own = rows[rows < count]
        gain = likelihood_gain(weights, _log(odds[own]), forms.scores[own], labels[own])
    return _Fit(
        len(pages), forms, weights, gain, forms.scores[:count],
        np.bincount(labels[misread], minlength=LETTER_CLASSES),
    )  # fmt: skip


def _log(odds: Floats) -> Floats:
    logs = np.log(np.maximum(odds, MIN_ODDS))
    return np.asarray(logs - np.log(np.exp(logs).sum(axis=1, keepdims=True)))


def _record(page: LabelledLetters, odds: Floats, fit: _Fit) -> HandRecord:
    """What was learned, and which letters of the page are read otherwise for it."""
    before, after = page.odds.argmax(axis=1), odds.argmax(axis=1)
    changed = tuple(
        (int(i) + 1, LETTERS[before[i]], LETTERS[after[i]]) for i in np.flatnonzero(before != after)
    )
    forms = fit.forms
    rows = tuple(
        HandForm(
            LETTERS[k], int(forms.counts[k]), int(fit.misread[k]), LETTERS[forms.nearest[k]],
            round(float(forms.separation[k]), 3), bool(forms.held[k]),
        )
        for k in np.flatnonzero(forms.counts)
    )  # fmt: skip
    letters = int(forms.counts.sum())
    where = "this page" if fit.pages == 1 else f"{fit.pages} pages of this scroll"
    why = (
        f"The hand was learned from {letters} letters of {where} that the text confirms; "
        f"{len(changed)} letters of the page are read otherwise than by the networks alone."
    )
    return HandRecord(
        True, why, letters, fit.pages, round(fit.weights.networks, 3), round(fit.weights.hand, 3),
        round(fit.gain, 4), changed, rows,
    )  # fmt: skip
