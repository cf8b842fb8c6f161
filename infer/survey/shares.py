"""Of each source's scrolls, the share with at least one finding, by the tool's word alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.intervals import clopper_pearson
from crownlet.infer.survey.records import MIN_SCROLLS, Share
from crownlet.infer.survey.tables import Tables


def shares(survey: Tables) -> tuple[Share, ...]:
    """A row for each defect, then for `any`, by source."""
    scrolls = len(survey.source_of)
    has = np.zeros((len(survey.defects), scrolls), dtype=bool)
    for place, found in enumerate(survey.found):
        has[place, survey.scroll[found & ~np.isnan(survey.predicted[place])]] = True
    has = np.vstack([has, has.any(axis=0)])
    return tuple(
        _share(defect, code, row[survey.source_of == number])
        for defect, row in zip((*survey.defects, "any"), has, strict=True)
        for number, code in enumerate(survey.sources)
    )


def _share(defect: str, code: str, has: NDArray[np.bool_]) -> Share:
    count, of = int(has.sum()), len(has)
    low, high = clopper_pearson(count, of) if of >= MIN_SCROLLS else (None, None)
    return Share(defect, code, of, count, count / of, low, high)
