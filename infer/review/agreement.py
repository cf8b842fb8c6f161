"""How far two readers agree beyond chance: Cohen's kappa (Cohen 1960), with its table."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crownlet.infer.review.models import ALL_KINDS, CHOICES, Decision

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore

ChoicePair = tuple[str, str]


@dataclass(frozen=True)
class Agreement:
    """Two readers over the items that both decided."""

    labels: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    """Number of items by the choice of the first reader (row) and of the second (column)."""

    @property
    def items(self) -> int:
        """How many both decided."""
        return sum(map(sum, self.table))

    @property
    def agreed(self) -> float | None:
        """Share of the items with the same choice; None without items."""
        same = sum(row[k] for k, row in enumerate(self.table))
        return same / self.items if self.items else None

    @property
    def by_chance(self) -> float | None:
        """Share on which readers with these habits would agree by chance."""
        if not self.items:
            return None
        rows = [sum(row) for row in self.table]
        columns = [sum(column) for column in zip(*self.table, strict=True)]
        result: float | None = (
            sum(a * b for a, b in zip(rows, columns, strict=True)) / self.items**2
        )
        return result

    @property
    def kappa(self) -> float | None:
        """1 for full agreement, 0 for what chance gives; None where chance alone gives it all."""
        agreed, chance = self.agreed, self.by_chance
        if agreed is None or chance is None or chance == 1.0:
            return None
        return (agreed - chance) / (1.0 - chance)


def measure_agreement(pairs: Iterable[ChoicePair], labels: Sequence[str] = CHOICES) -> Agreement:
    """Agreement over pairs of choices, the first reader's and the second's.

    ValueError for a choice that is not among `labels`.
    """
    counts = Counter(pairs)
    if unknown := {label for pair in counts for label in pair} - set(labels):
        raise ValueError(f"not among the labels: {', '.join(sorted(unknown))}")
    table = tuple(tuple(counts[a, b] for b in labels) for a in labels)
    return Agreement(tuple(labels), table)


def measure_agreement_by_kind(store: ReviewStore, first: str, second: str) -> dict[str, Agreement]:
    """Two readers' agreement by doubt, and under `ALL_KINDS` over everything both decided.

    Decisions after a disclosure of what others think are left out. Two readers who both choose
    another letter agree only if they mean the same one.
    """
    pairs_by_kind: dict[str, list[ChoicePair]] = defaultdict(list)
    for kind, pair in _independent_pairs(store, first, second):
        pairs_by_kind[kind].append(pair)
        pairs_by_kind[ALL_KINDS].append(pair)
    return {
        kind: measure_agreement(pairs, _order_labels(pairs))
        for kind, pairs in sorted(pairs_by_kind.items())
    }


def _independent_pairs(
    store: ReviewStore, first: str, second: str
) -> Iterator[tuple[str, ChoicePair]]:
    others = {item: decision for item, _, decision in store.independent_decisions(second)}
    for item, kind, decision in store.independent_decisions(first):
        if item in others:
            yield kind, (_decision_label(decision), _decision_label(others[item]))


def _decision_label(decision: Decision) -> str:
    return " ".join(filter(None, (decision.choice, decision.right_letter)))


def _order_labels(pairs: Iterable[ChoicePair]) -> tuple[str, ...]:
    seen = {label for pair in pairs for label in pair}
    return tuple(c for c in CHOICES if c in seen) + tuple(sorted(seen - set(CHOICES)))
