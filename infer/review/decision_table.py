"""The table of every decision of a review."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress

from crownlet.datasets.files.atomic import quote_formula
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.records import first_words
from crownlet.infer.review.models import StandingDecision
from crownlet.infer.run.run import Run

DECISION_COLUMNS = (
    "decision", "page", "scroll", "source", "glyphs", "line", "word", "place", "letter", "kind",
    "choice", "right_letter", "note", "reader", "round", "at", "blind", "opinion_shown", "origin",
    "p", "chance", "x0", "y0", "x1", "y1", "still_asked",
)  # fmt: skip


def decision_rows(run: Run, standing: Sequence[StandingDecision]) -> Iterator[list[str]]:
    """The rows of decisions.csv, in the order given."""
    first: dict[str, Mapping[int, int]] = {}
    for made in standing:
        if made.page not in first:
            with suppress(KeyError, FileFault):
                first[made.page] = first_words(run.pages[made.page].brief()[0])
        yield decision_row(made, first.get(made.page, {}))


def decision_row(made: StandingDecision, first: Mapping[int, int]) -> list[str]:
    """One row of decisions.csv, in the order of `DECISION_COLUMNS`.

    `first` are the numbers of the first words by line, so that words are counted in the line; a
    letter that is no longer on the page has no word.
    """
    decision = made.decision
    known = made.still_asked and made.word is not None and made.line in first
    word = made.word - first[made.line] + 1 if known else None  # type: ignore[index,operator]
    return [
        str(decision.id), *map(quote_formula, (made.page, made.scroll, made.source or "")),
        ";".join(map(str, made.glyphs)), _number_cell(made.line), _number_cell(word),
        _number_cell(made.place), made.letter, made.kind, decision.choice,
        decision.right_letter or "", quote_formula(decision.note), quote_formula(decision.reader),
        str(decision.round),
        decision.at, str(int(decision.blind)), str(int(decision.opinion_shown)), made.origin,
        _probability_cell(made.p), _probability_cell(made.chance), *(f"{v:.1f}" for v in made.box),
        str(int(made.still_asked)),
    ]  # fmt: skip


def _number_cell(number: int | None) -> str:
    return "" if number is None else str(number)


def _probability_cell(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
