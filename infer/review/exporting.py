"""What goes out of a review: labels for retraining as COCO, and every decision as a table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.files import replacing, write_json, write_rows
from crownlet.infer.review.entries import Standing, StoreError
from crownlet.infer.review.label_pages import labels
from crownlet.infer.review.missed import ALL, missed_estimate, sentence
from crownlet.infer.review.names import DECISIONS, LABELS, STORE
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run import Run, open_run

COLUMNS = (
    "decision", "page", "scroll", "source", "glyphs", "line", "word", "place", "letter", "kind",
    "choice", "right_letter", "note", "reader", "round", "at", "blind", "opinion_shown", "origin",
    "p", "chance", "x0", "y0", "x1", "y1", "still_asked",
)  # fmt: skip


@dataclass(frozen=True)
class Exported:
    """What was written, and what could not go into the labels."""

    labels: Path
    decisions: Path
    decided: int
    """Decisions that stand."""
    letters: int
    """Letters of which somebody said something."""
    left_out: tuple[str, ...] = ()
    """A sentence for each page whose decisions stand in the table only."""
    missed: tuple[str, ...] = ()
    """What each reader's answers say of what the inspection missed."""

    def __str__(self) -> str:
        told = (
            f"{self.labels.name} ({self.letters} letters), "
            f"{self.decisions.name} ({self.decided} decisions)."
        )
        return "\n".join((told, *self.left_out, *self.missed))


def export(run: Run | str | Path, store: ReviewStore | None = None) -> Exported:
    """Write labels and decisions into the folder of a run, each file whole or not at all.

    Raises RunError for a folder that is no run, StoreError where nothing was reviewed or the file
    cannot be read, OSError where the folder cannot be written.
    """
    opened = run if isinstance(run, Run) else open_run(run)
    own = store or reviewed(opened)
    try:
        standing = own.standing()
        told = {
            reader.name: missed_estimate(own, reader.name)[ALL]
            for reader in own.readers()
            if reader.done
        }
    finally:
        if store is None:
            own.close()
    # A survey mixes no clear letters in: its audit is read by `crownlet survey compare`.
    missed = tuple(f"{name}: {sentence(one)}" for name, one in told.items() if one.asked)
    data, letters, left_out = labels(opened, standing)
    folder = opened.folder
    with replacing(folder / LABELS) as draft:
        write_json(draft, data)
    with replacing(folder / DECISIONS) as draft:
        write_rows(draft, COLUMNS, map(row, standing))
    return Exported(folder / LABELS, folder / DECISIONS, len(standing), letters, left_out, missed)


def reviewed(run: Run) -> ReviewStore:
    """The file of decisions of a run, its queue in step; StoreError if nothing was reviewed yet."""
    path = run.folder / STORE
    if not path.is_file():
        raise StoreError(path, "nothing was reviewed yet; begin with `crownlet review`.")
    return ReviewStore.open(path, run)


def row(said: Standing) -> list[str]:
    """One row of decisions.csv, in the order of `COLUMNS`."""
    told = said.decision
    return [
        str(told.id), said.page, said.scroll, said.source or "", ";".join(map(str, said.glyphs)),
        _text(said.line), _text(said.word), _text(said.place), said.letter, said.kind, told.choice,
        told.right_letter or "", told.note, told.reader, str(told.round), told.at,
        str(int(told.blind)), str(int(told.opinion_shown)), said.origin, _p(said.p),
        _p(said.chance), *(f"{v:.1f}" for v in said.box), str(int(said.asked)),
    ]  # fmt: skip


def _text(number: int | None) -> str:
    return "" if number is None else str(number)


def _p(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
