"""A small survey whose every number is known, without pages or networks."""

from __future__ import annotations

import numpy as np

from crownlet.infer.survey.data import SurveyData, build_arrays
from crownlet.infer.survey.labels import ReaderAnswer, collect_labels
from crownlet.infer.survey.response import AuditArrays, weigh_labels
from crownlet.infer.survey.scroll_counts import ScrollCounts

DEFECTS = ("ink_lost", "tag_bare")


def small(scrolls: int = 4, letters: int = 6, answers: tuple[ReaderAnswer, ...] = ()) -> SurveyData:
    """Two sources in turn; the first letter of each scroll drawn for the first defect."""
    scroll = np.repeat(np.arange(scrolls), letters)
    names = np.array([f"S{number + 1:03d}" for number in range(scrolls)])
    glyph = np.tile(np.arange(1, letters + 1), scrolls)
    predicted = np.full((2, len(scroll)), 0.25)
    predicted[1, glyph == 2] = np.nan
    page = np.char.add(names, "-face")[scroll]
    shape = predicted.shape
    drawn = np.zeros(shape, bool)
    drawn[0, glyph <= 2] = True
    chance = np.full(shape, np.nan)
    chance[0] = 0.5
    labels = collect_labels(answers, int(drawn.sum()))
    label = np.full(shape, np.nan)
    for (name, number, defect), value in labels.values.items():
        label[DEFECTS.index(defect), (page == name) & (glyph == number)] = value
    questions = AuditArrays(drawn, chance, label, np.zeros(shape, bool))
    used, probability = weigh_labels(questions, scroll, scroll % 2)
    arrays = build_arrays(
        DEFECTS, names[scroll], np.array(["A", "B"])[scroll % 2], predicted, used, probability,
        side=np.full(len(scroll), "face"), letter=np.resize(list("אבגדהו"), len(scroll)),
    )  # fmt: skip
    counts = tuple(
        ScrollCounts(name, "AB"[k % 2], 1, 0, letters, 0, f"H{k:03d}", "",
                     (("date", f"20{10 + k}"), ("price", "=1+1")))
        for k, name in enumerate(names.tolist())
    )  # fmt: skip
    return SurveyData(
        arrays, page, glyph, {"North": "A", "South": "B"}, counts, labels.counts,
        {"package": ("1",)}, (), questions, answers, labels.agreement,
    )  # fmt: skip


ANSWERS = (
    ReaderAnswer("S001-face", 1, "ink_lost", 1, "present"),
    ReaderAnswer("S001-face", 2, "ink_lost", 1, "cannot_tell"),
    ReaderAnswer("S002-face", 1, "ink_lost", 1, "not_present"),
    ReaderAnswer("S002-face", 2, "ink_lost", 1, "not_present"),
    ReaderAnswer("S003-face", 1, "ink_lost", 1, "not_present"),
    ReaderAnswer("S003-face", 2, "ink_lost", 1, "not_present"),
    ReaderAnswer("S001-face", 1, "ink_lost", 2, "not_present"),
)
