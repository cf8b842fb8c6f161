"""Customs against the books they follow, and their reader against broken files."""

from __future__ import annotations

import hashlib
from dataclasses import fields
from importlib import resources
from pathlib import Path

import pytest
import yaml

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS, Customs, load_customs

THREE = "שעטנזגןצץ"  # Menachot 29b, with the finals of Mishnah Berurah 36:13
ONE = "בדקחיה"  # Mishnat Sofrim under each letter


@pytest.mark.parametrize("name", SHIPPED_CUSTOMS)
def test_three_tags_are_expected_by_all(name: str) -> None:
    customs = load_customs(name)
    assert customs.name == name
    assert {customs.tags_expected(char) for char in THREE} == {3}  # Orach Chayim 36:3


def test_unspecified_expects_nothing_that_is_disputed() -> None:
    customs = load_customs()
    assert customs.name == "unspecified"
    assert {customs.tags_expected(char) for char in ONE + "ל"} == {None}
    settings = {f.name: getattr(customs, f.name) for f in fields(Customs)}
    numbers = ("name", "checksum", "version", "large_letter_ratio")
    assert {v for k, v in settings.items() if k not in numbers} == {"unspecified"}


def test_beit_yosef_expects_the_single_tags_and_lameds_two() -> None:
    customs = load_customs("beit_yosef")
    assert {customs.tags_expected(char) for char in ONE} == {1}  # Mishnat Sofrim under each
    assert customs.tags_expected("ל") == 2  # Mishnat Sofrim, lamed
    rest = set(LETTERS) - set(THREE + ONE + "ל")
    assert {customs.tags_expected(char) for char in rest} == {0}  # melechet sofer


def test_styles_differ_where_keset_says_so() -> None:
    beit_yosef, arizal, vellish = (load_customs(n) for n in ("beit_yosef", "arizal", "vellish"))
    # Keset HaSofer 5:2, tsadi and chet
    assert (beit_yosef.tsadi_yud_reversed, arizal.tsadi_yud_reversed) == (
        "not_expected",
        "expected",
    )
    assert (beit_yosef.chet_right_leg, arizal.chet_right_leg) == ("zayin", "vav")
    assert (beit_yosef.chet_top, vellish.chet_top) == ("hump", "flat")


def test_unspecified_file_documents_every_key() -> None:
    source = resources.files("crownlet.configs.customs") / "unspecified.yaml"
    keys = set(yaml.safe_load(source.read_text(encoding="utf-8")))
    assert keys == {field.name for field in fields(Customs)} - {"checksum"}


def test_checksum_is_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "ours.yaml"
    path.write_text("style: arizal\n", encoding="utf-8")
    customs = load_customs(path)
    assert (customs.name, customs.style, customs.bedek_chaya) == ("ours", "arizal", "unspecified")
    assert customs.checksum == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("value", ["expected", "not_expected"])
def test_single_tags_follow_the_setting(value: str, tmp_path: Path) -> None:
    path = tmp_path / "ours.yaml"
    path.write_text(f"bedek_chaya: {value}\n", encoding="utf-8")
    assert load_customs(path).tags_expected("ב") == {"expected": 1, "not_expected": 0}[value]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("style: ari", "style is 'ari'; allowed: beit_yosef, arizal, alter_rebbe, vellish"),
        ("stile: arizal", "unknown key 'stile'; did you mean 'style'"),
        ("colour: red", "unknown key 'colour'; known are bedek_chaya"),
        ("bedek_chaya: no", "bedek_chaya is False; allowed: expected, not_expected, unspecified"),
        ("large_letter_ratio: 9", "large_letter_ratio is 9; allowed: a number from 1 to 4"),
        ("large_letter_ratio: .nan", "large_letter_ratio is nan; allowed"),
        ("large_letter_ratio: true", "large_letter_ratio is True; allowed"),
        ("version: 0", "version is 0; allowed: a whole number from 1"),
        ("name: ''", "name is ''; allowed: a name"),
        ("style: [arizal]", "style is .*; allowed"),
        ("style: arizal\nstyle: vellish", "the key 'style' is given more than once"),
        ("- style", "holds no settings"),
        ("", "holds no settings"),
        ("style: [", "is not a YAML file"),
        ("style: \x00", "is not a YAML file"),
        ("[" * 50_000, "is not a YAML file"),
        ("? [a]\n: b", "is not a YAML file"),
        ("!!python/object/apply:os.getcwd []", "is not a YAML file"),
        ("style: arizal\n" * 10_000, "larger than 64 KiB"),
    ],
)
def test_broken_files_are_refused_in_one_sentence(
    content: str, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "ours.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(ValueError, match=message) as raised:
        load_customs(path)
    assert str(path) in str(raised.value)
    assert "\n" not in str(raised.value)


def test_unknown_name_is_refused() -> None:
    with pytest.raises(ValueError, match=r"'ashkenaz' is neither shipped customs \(unspecified"):
        load_customs("ashkenaz")


def test_only_letters_carry_tags() -> None:
    with pytest.raises(ValueError, match="27 letters"):
        load_customs().tags_expected("x")
