"""Where two readers differ, and how far they agree."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from starlette.requests import Request
from starlette.responses import Response

from crownlet.infer.review.agreement import ALL, agreements
from crownlet.infer.review.entries import Decision, Item
from crownlet.infer.review.pages import desk_of, named, page
from crownlet.infer.review.questions import question

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore


TWO = "This compares two readers who have both decided; choose them here."


class Row(NamedTuple):
    """One place on which two readers differ."""

    item: Item
    question: str
    first: Decision
    second: Decision


class Agreed(NamedTuple):
    """How far two readers agree on one doubt."""

    kind: str
    items: int
    agreed: float
    kappa: float | None


async def differences(request: Request) -> Response:
    """The page of two readers."""
    desk, looking = desk_of(request), named(request)
    readers = [entry.name for entry in desk.store.readers()]
    a, b = _pair(request, readers)
    two = a != b and b != ""
    found = desk.store.disagreements(a, b) if two else []
    # From here on this reader knows what the other said.
    desk.tell(looking.reader, (entry.item.id for entry in found))
    rows = [
        Row(entry.item, question(entry.item.kind, entry.item.letter), entry.first, entry.second)
        for entry in found
    ]
    desk.crops.want([row.item for row in rows], "wall")
    summary, kinds = _summary(desk.store, a, b) if two else ([TWO], [])
    return page(
        request, "differences.html", readers=readers, a=a, b=b, rows=rows, summary=summary,
        kinds=kinds,
    )  # fmt: skip


def _pair(request: Request, readers: list[str]) -> tuple[str, str]:
    """The readers asked for; else the first two who have decided anything."""
    asked = [request.query_params.get(name, "") for name in ("a", "b")]
    if all(name in readers for name in asked):
        return asked[0], asked[1]
    both = [*readers, "", ""]
    return both[0], both[1]


def _summary(store: ReviewStore, a: str, b: str) -> tuple[list[str], list[Agreed]]:
    """How far two readers agree, in words, and by doubt."""
    found = agreements(store, a, b)
    whole = found.pop(ALL, None)
    if whole is None or whole.agreed is None:
        return ["No place has been decided by both yet."], []
    same = round(whole.agreed * whole.items)
    told = f"Both decided {whole.items} places and said the same of {same}"
    lines = [f"{told} ({whole.agreed:.0%})."]
    if whole.kappa is None:
        lines.append("Both always gave one answer, so agreement beyond chance cannot be measured.")
    else:
        lines.append(
            f"Cohen's kappa is {whole.kappa:.2f}: 1 is full agreement, 0 no more than chance gives."
        )
    return lines, [
        Agreed(kind, each.items, each.agreed, each.kappa)
        for kind, each in found.items()
        if each.agreed is not None
    ]
