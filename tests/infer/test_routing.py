"""Routes from probabilities, the rules of the text, and the file the numbers come from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS, LEARNED_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.networks import ModelError, weights_folder
from crownlet.infer.records import GLYPH_JUDGEMENTS, TAG_NONE, judged_letter
from crownlet.infer.routing.glyphs import defect_probabilities, skipped_judgements
from crownlet.infer.routing.reasons import defect_reasons, letter_reasons, merge_reasons
from crownlet.infer.thresholds import ThresholdPair, load_thresholds

SHIPPED = load_thresholds(weights_folder())
LIMITS = replace(
    SHIPPED, default=ThresholdPair(0.2, 0.7), defects={"foot_level": ThresholdPair(0.4, 0.9)},
    letter_p=0.9, letter_p_expected=0.5, swapped_p=0.9,
)  # fmt: skip


def test_three_routes_and_their_borders() -> None:
    p = {"tag_missing": 0.1, "tag_loose": 0.2, "part_loose": 0.7, "ring_open": None}
    assert defect_reasons(p, LIMITS) == [("part_loose", "finding"), ("tag_loose", "review")]
    assert defect_reasons({"foot_level": 0.7}, LIMITS) == [("foot_level", "review")]
    assert merge_reasons([("tag_loose", "review"), ("part_loose", "finding")]) == (
        "finding", ("part_loose", "tag_loose"),
    )  # fmt: skip
    assert merge_reasons([]) == ("clear", ())


@pytest.mark.parametrize(
    ("letter", "p", "expected", "expected_p", "reasons"),
    [
        ("ד", 0.99, None, 0.0, []),
        ("ד", 0.80, None, 0.0, [("shape_doubt", "review")]),
        ("ד", 0.80, "ד", 0.80, []),
        ("ד", 0.45, "ד", 0.45, [("shape_doubt", "review")]),
        ("ד", 0.99, "ר", 0.005, [("letter_swapped", "finding")]),
        ("ד", 0.60, "ר", 0.39, [("letter_swapped", "review"), ("shape_doubt", "review")]),
        ("ד", 0.95, "ר", 0.04, [("letter_swapped", "review"), ("shape_doubt", "review")]),
        ("ד", 0.99, "", 0.0, [("letter_extra", "finding")]),
        ("ד", 0.60, "", 0.0, [("letter_extra", "review")]),
    ],
)
def test_letter_against_text(
    letter: str, p: float, expected: str | None, expected_p: float, reasons: list[tuple[str, str]]
) -> None:
    assert letter_reasons(letter, p, expected, expected_p, LIMITS) == reasons


def test_crowns_are_counted_against_the_customs() -> None:
    tags = [0.1, 0.2, 0.3, 0.4, 0.0]
    learned = dict.fromkeys(LEARNED_DEFECTS, 0.0)
    # Shatnez getz take three tags (Menachot 29b), so fewer than three: 0.1 + 0.2 + 0.3.
    p = defect_probabilities("ש", list(learned.values()), _row(tags), 3, LEARNED_DEFECTS)
    assert p["tag_missing"] == pytest.approx(0.6)
    assert p[TAG_NONE] == pytest.approx(0.1)
    one = defect_probabilities("ד", list(learned.values()), _row(tags), 1, LEARNED_DEFECTS)
    assert one["tag_missing"] == pytest.approx(0.1)
    silent = load_customs("unspecified").tags_expected("ד")
    none = defect_probabilities("ד", list(learned.values()), _row(tags), silent, LEARNED_DEFECTS)
    assert none["tag_missing"] is None
    assert none[TAG_NONE] is None


def test_no_crown_at_all_is_a_judgement_of_its_own_with_the_same_reason() -> None:
    limits = replace(SHIPPED, defects={**SHIPPED.defects, TAG_NONE: ThresholdPair(0.3, 0.8)})
    fewer = SHIPPED.of("tag_missing").finding
    assert defect_reasons({TAG_NONE: 0.9}, limits) == [("tag_missing", "finding")]
    assert defect_reasons({TAG_NONE: 0.4}, limits) == [("tag_missing", "review")]
    # A hairline lost in blur fakes fewer tags than asked; whether any stands there is still seen.
    both = {"tag_missing": fewer, TAG_NONE: 0.1}
    assert defect_reasons(both, limits) == [("tag_missing", "finding")]
    assert defect_reasons(both, limits, {"tag_missing"}) == []
    assert defect_reasons({**both, TAG_NONE: 0.9}, limits, {"tag_missing"}) == [
        ("tag_missing", "finding")
    ]


def test_fewer_than_one_tag_is_judged_where_none_is() -> None:
    poor = frozenset({"tag_missing", "tag_excess"})
    assert skipped_judgements(poor, 3) == poor
    assert skipped_judgements(poor, 1) == {"tag_excess"}
    assert skipped_judgements(frozenset({TAG_NONE}), 1) == {TAG_NONE, "tag_missing"}


@pytest.mark.parametrize(
    ("letter", "expected", "reasons", "judged"),
    [
        ("ר", "ד", ("letter_swapped", "shape_doubt"), "ד"),  # in doubt: the text's letter
        ("ר", "ד", ("letter_swapped",), "ר"),  # surely another
        ("ד", "ד", ("shape_doubt",), "ד"),
        ("ר", "", ("letter_extra",), "ר"),
        ("ר", None, ("shape_doubt",), "ר"),
    ],
)
def test_the_letter_of_the_text_is_judged_unless_another_is_surely_read(
    letter: str, expected: str | None, reasons: tuple[str, ...], judged: str
) -> None:
    assert judged_letter(letter, expected, reasons) == judged


def test_the_rule_of_the_judged_letter_follows_from_the_reasons_of_the_letter() -> None:
    sure = letter_reasons("ר", 0.99, "ד", 0.001, SHIPPED)
    doubt = letter_reasons("ר", 0.6, "ד", 0.001, SHIPPED)
    assert judged_letter("ר", "ד", [name for name, _ in sure]) == "ר"
    assert judged_letter("ר", "ד", [name for name, _ in doubt]) == "ד"


def _row(values: list[float]):  # type: ignore[no-untyped-def]
    import numpy as np

    return np.array(values)


@pytest.mark.parametrize("letter", ["ג", "ס", "י", "ה", "א"])
def test_what_does_not_apply_has_no_probability(letter: str) -> None:
    p = defect_probabilities(
        letter, [0.5] * len(LEARNED_DEFECTS), _row([0.2] * 5), None, LEARNED_DEFECTS
    )
    assert tuple(p) == GLYPH_JUDGEMENTS
    for name in LEARNED_DEFECTS:
        assert (p[name] is not None) == CATALOGUE[name].applies_to(letter)


def test_what_the_picture_cannot_carry_is_left_out() -> None:
    assert defect_reasons({"tag_loose": 0.99}, LIMITS, ("tag_loose",)) == []


def test_shipped_file_is_sane() -> None:
    for name in (*GLYPH_DEFECTS, "words_joined", "word_parted"):
        pair = SHIPPED.of(name)
        assert 0 < pair.clear <= pair.finding < 1
        assert name in CATALOGUE
    assert set(SHIPPED.defects) <= {*CATALOGUE, TAG_NONE}
    assert 0 < SHIPPED.of(TAG_NONE).clear <= SHIPPED.of(TAG_NONE).finding < 1
    assert SHIPPED.provenance


@pytest.mark.parametrize(
    ("key", "value", "cause"),
    [
        ("default", {"clear": 0.8, "finding": 0.2}, "above"),
        ("default", {"clear": 0.8}, "finding"),
        ("default", {"clear": -1, "finding": 0.2}, "between 0 and 1"),
        ("letters", None, "routing.yaml"),
        ("gaps", {"words_joined": {"bias": "x"}}, "float|convert|place"),
    ],
)
def test_bad_threshold_files_are_named(tmp_path: Path, key: str, value: object, cause: str) -> None:
    data = yaml.safe_load((weights_folder() / "routing.yaml").read_text())
    data[key] = value
    (tmp_path / "routing.yaml").write_text(yaml.safe_dump(data))
    with pytest.raises(ModelError, match=cause) as caught:
        load_thresholds(tmp_path)
    assert str(tmp_path) in str(caught.value)


def test_calibration_goes_before_the_shipped_numbers(tmp_path: Path) -> None:
    assert load_thresholds(tmp_path) == SHIPPED
    fitted = {"version": "x", "provenance": "y", "defects": {"ring_open": {"clear": 0.03,
              "finding": 0.81}, "word_parted": {"clear": 0.4, "finding": 0.6}}}  # fmt: skip
    (tmp_path / "thresholds.yaml").write_text(yaml.safe_dump(fitted))
    own = load_thresholds(tmp_path)
    assert (own.of("ring_open"), own.of("word_parted")) == (
        ThresholdPair(SHIPPED.review_floor, 0.81),
        ThresholdPair(0.4, 0.6),
    )
    assert own.of("words_joined") == SHIPPED.of("words_joined")
    assert own.gaps == SHIPPED.gaps
    assert own.checksum != SHIPPED.checksum
    assert own.routing_checksum == SHIPPED.routing_checksum


def test_broken_threshold_files(tmp_path: Path) -> None:
    for text in ("version: 1", "- 1", "defects: 3\nversion: 1\nprovenance: x"):
        (tmp_path / "thresholds.yaml").write_text(text)
        with pytest.raises(ModelError, match=r"thresholds\.yaml: lacks or misstates"):
            load_thresholds(tmp_path)
    (tmp_path / "thresholds.yaml").write_text("a: [b")
    with pytest.raises(ModelError, match="cannot be read"):
        load_thresholds(tmp_path)
