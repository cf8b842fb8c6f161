"""Agreement beyond chance, against published values and scikit-learn."""

from __future__ import annotations

from pathlib import Path

import pytest
import synthetic_runs as made
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score, confusion_matrix

from crownlet.infer.review.agreement import measure_agreement, measure_agreement_by_kind
from crownlet.infer.review.models import ALL_KINDS, CHOICES
from crownlet.infer.review.store import ReviewStore

pairs = st.lists(st.tuples(st.sampled_from(CHOICES), st.sampled_from(CHOICES)), min_size=2)


@settings(deadline=None)
@given(pairs=pairs)
def test_kappa_is_that_of_scikit_learn(pairs: list[tuple[str, str]]) -> None:
    ours = measure_agreement(pairs)
    first, second = zip(*pairs, strict=True)
    assert [list(row) for row in ours.table] == confusion_matrix(
        first, second, labels=list(CHOICES)
    ).tolist()
    if len({*first, *second}) == 1:
        assert ours.kappa is None  # scikit-learn gives nan with a warning
        return
    assert ours.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)


def test_a_published_example() -> None:
    """Fleiss, Levin and Paik, Statistical Methods for Rates and Proportions, 3rd ed. 2003, table
    18.1: a hundred diagnoses by two raters; agreed 0.89, by chance 0.66, kappa 0.68 (from memory).
    """
    table = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]
    names = ("psychotic", "neurotic", "organic")
    choices = [
        (names[a], names[b])
        for a, row in enumerate(table)
        for b, count in enumerate(row)
        for _ in range(count)
    ]
    found = measure_agreement(choices, names)
    assert found.items == 100
    assert found.agreed == pytest.approx(0.89)
    assert found.by_chance == pytest.approx(0.66)
    assert round(found.kappa or 0.0, 2) == 0.68


def test_what_has_no_kappa() -> None:
    assert measure_agreement([]).kappa is None
    assert measure_agreement([]).agreed is None
    with pytest.raises(ValueError, match="among the labels: perhaps"):
        measure_agreement([("present", "perhaps")])


def test_two_readers_of_one_store(tmp_path: Path) -> None:
    store = ReviewStore.open(tmp_path / "r", made.run(tmp_path, ["a"], letters=300))
    kind = next(g.kind for g in store.groups("anna") if g.open >= 3)
    several = [i for i in store.items("anna", kind=kind) if i.letter != "א"][:3]
    for k, item in enumerate(several):
        store.decide(item.id, "anna", "present", version=0)
        store.decide(item.id, "ben", ("present", "not_present", "cannot_tell")[k], version=0)
    other = next(i for i in store.items("anna") if i.kind != kind and i.letter not in "אב")
    for name, right in (("anna", "א"), ("ben", "ב")):
        store.decide(other.id, name, "other_letter", version=0, right_letter=right)
    only_anna = store.items("anna")[0]
    store.decide(only_anna.id, "anna", "present", version=0)

    found = measure_agreement_by_kind(store, "anna", "ben")
    assert set(found) == {ALL_KINDS, kind, other.kind}
    assert (found[ALL_KINDS].items, found[kind].items) == (4, 3)
    assert found[kind].agreed == pytest.approx(1 / 3)
    assert found[other.kind].agreed == 0.0  # both choose another letter, and not the same one
    differing = store.disagreements("anna", "ben")
    assert {d.item.id for d in differing} == {several[1].id, several[2].id, other.id}
    assert all(d.first.reader == "anna" and d.second.reader == "ben" for d in differing)
    # A decision after the disclosure settles the dispute and does not count as agreement.
    store.record_disclosure("ben", [several[1].id])
    changed = store.decide(several[1].id, "ben", "present", version=1)
    assert (changed.opinion_shown, changed.blind) == (True, False)
    assert {d.item.id for d in store.disagreements("anna", "ben")} == {several[2].id, other.id}
    assert measure_agreement_by_kind(store, "anna", "ben")[kind] == found[kind]
    store.undo("ben")
    store.undo("ben")
    assert {d.item.id for d in store.disagreements("anna", "ben")} == {i.id for i in several[1:]}
