"""Every custom: the default lists neither of two accepted forms, a chosen one the other.

Forms and sources: the settings that must be the user's custom (scribal-rules.md 7.4), each with its
book in configs/customs/unspecified.yaml.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import made
import pytest
from made_customs import (
    DEFAULT,
    back,
    bare,
    chet,
    crowned,
    customs,
    fourth,
    headed,
    kaf,
    legged,
    listed,
    mezuzah,
    otherwise,
    sized,
)  # fmt: skip

from crownlet.datasets.scribal.customs import Customs
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.customs import LISTED_TAGS, RECORDED_ONLY
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import PageRecord

Maker = Callable[[], PageRecord]
CASES: tuple[tuple[str, str, Maker, Maker, str], ...] = (
    # setting, value, the form it names, the other accepted form, heading of the other
    ("tag_form", "zayin", headed, bare, "custom"),  # MB 36:12
    ("final_kaf_top", "round", lambda: kaf(False), lambda: kaf(True), "question"),  # D: MB 32:73
    ("chet_top", "hump", lambda: chet(False), lambda: chet(True), "custom"),  # MS chet
    ("chet_top", "flat", lambda: chet(True), lambda: chet(False), "custom"),  # Keset 5:2
    ("crown_list", "rambam", lambda: listed(3), lambda: listed(1), "custom"),  # Tefillin 2:9
    ("mezuzah_break", "tur", mezuzah, lambda: mezuzah(indent=10.0), "custom"),  # Tur YD 288
    ("mezuzah_break", "nine_yuds", lambda: mezuzah(indent=10.0), mezuzah, "custom"),
    ("mezuzah_break", "open", lambda: mezuzah(short=10.0), mezuzah, "custom"),  # Keset 27:3
    ("tefillin_break", "rambam", lambda: fourth(indent=10.0), fourth, "custom"),  # OC 32:36
    ("tefillin_break", "line_head", fourth, lambda: fourth(indent=10.0), "custom"),
    ("tefillin_break", "divided", lambda: fourth(indent=5.0), fourth, "custom"),
    ("mezuzah_lines", "tur", mezuzah, otherwise, "custom"),  # Tur YD 288
    ("large_letters", "expected", lambda: sized(True), lambda: sized(False), "custom"),
    ("large_letters", "not_expected", lambda: sized(False), lambda: sized(True), "custom"),
    ("verse_gap", "wider", lambda: mezuzah(verse=1.8), mezuzah, "custom"),  # OC 32:32 gloss
    ("verse_gap", "same", mezuzah, lambda: mezuzah(verse=1.8), "custom"),  # Keset 16:7
    ("reverse_text", "both", lambda: back(True), lambda: back(False), "custom"),  # Keset 27:7
    ("reverse_text", "name_only", lambda: back(False), lambda: back(True), "custom"),
    ("leg_minimum", "strict", headed, lambda: legged(1.1), "custom"),  # MS he against OC 32:15
)  # fmt: skip


@pytest.mark.parametrize(("setting", "value", "named", "other", "heading"), CASES)
def test_default_lists_neither_form_and_the_custom_the_other(
    setting: str, value: str, named: Maker, other: Maker, heading: str
) -> None:
    by = customs(**{setting: value})
    assert collect_findings(named(), DEFAULT) == ()
    assert collect_findings(other(), DEFAULT) == ()
    assert collect_findings(named(), by) == ()
    found = collect_findings(other(), by)
    assert found
    assert {finding.heading for finding in found} == {heading}


@pytest.mark.parametrize(
    ("setting", "letter", "tags"),
    [("bedek_chaya", "ב", 1), ("bedek_chaya", "י", 1), ("lamed_tags", "ל", 2)],
)
def test_single_tags_and_lameds_two(setting: str, letter: str, tags: int) -> None:
    expected, bare_ones = customs(**{setting: "expected"}), customs(**{setting: "not_expected"})
    with_tags, without = crowned(letter, tags), crowned(letter, 0)
    for page in (with_tags, without):
        assert collect_findings(page(DEFAULT), DEFAULT) == ()
    assert collect_findings(with_tags(expected), expected) == ()
    assert collect_findings(without(bare_ones), bare_ones) == ()
    # Left out where due: required at the outset (Mishnat Sofrim under each letter).
    (missing,) = collect_findings(without(expected), expected)
    assert (missing.kind, missing.heading) == ("tag_missing", "outset")
    (excess,) = collect_findings(with_tags(bare_ones), bare_ones)
    assert (excess.kind, excess.heading) == ("tag_excess", "custom")


@pytest.mark.parametrize("heading", ["question", "outset", "information"])
def test_the_kotz_of_the_yud_stands_where_the_custom_puts_it(heading: str) -> None:
    page = made.record([made.flagged(1, "י", "kotz_missing")])
    assert [f.heading for f in collect_findings(page, DEFAULT)] == ["question"]  # P+: MB 32:15
    assert [f.heading for f in collect_findings(page, customs(yud_kotz=heading))] == [heading]


@pytest.mark.parametrize(("value", "found"), [("tur", True), ("free", False)])
def test_tefillin_lines_follow_the_list_only_where_asked(value: str, found: bool) -> None:
    # The Tur's seven lines of a portion (Orach Chayim 35), not insisted on (MB 35:2).
    page = fourth()
    kinds = [f.kind for f in collect_findings(page, customs(tefillin_lines=value))]
    assert kinds == (["line_start"] if found else [])
    assert collect_findings(page, DEFAULT) == ()


def test_settings_that_name_both_forms_accept_them() -> None:
    for by in (
        customs(tag_form="line"), customs(final_kaf_top="square_accepted"),
        customs(mezuzah_lines="free"), customs(crown_list="no_list"),
        customs(leg_minimum="yud_size"),
    ):  # fmt: skip
        for page in (bare(), headed(), kaf(True), otherwise(), legged(1.1)):
            assert collect_findings(page, by) == ()


def test_a_leg_under_a_yud_is_listed_by_every_custom() -> None:
    for value in ("unspecified", "yud_size", "strict"):
        (finding,) = collect_findings(legged(0.6), customs(leg_minimum=value))
        assert (finding.kind, finding.heading) == ("leg_short", "question")  # OC 32:15


def test_crowns_of_the_old_list_are_those_of_the_book() -> None:
    # Rambam, Tefillin 2:9 and 5:3: 16 letters with 57 zayins, 13 with 39; by portion 1, 5, 5, 5.
    tefillin = [
        LISTED_TAGS[n] for n in ("kadesh", "vehaya_ki_yeviacha", "shema", "vehaya_im_shamoa")
    ]
    assert [len(one) for one in tefillin] == [1, 5, 5, 5]
    assert [sum(one.values()) for one in tefillin] == [3, 20, 18, 16]
    assert (len(LISTED_TAGS["mezuzah"]), sum(LISTED_TAGS["mezuzah"].values())) == (13, 39)
    for name, places in LISTED_TAGS.items():
        words = load_portion(name).words
        letters = "".join(words[word][place] for word, place in places)
        assert set(letters) <= set("שענזטגץ" if name == "mezuzah" else "םהקטפת")


def test_a_list_ignored_counts_by_class_alone() -> None:
    page = crowned("ם", 3)
    by = customs(crown_list="no_list")
    (finding,) = collect_findings(page(by), by)
    assert finding.kind == "tag_excess"


def every_setting() -> set[str]:
    return {f.name for f in fields(Customs)} - {"name", "checksum", "version", "large_letter_ratio"}


def test_no_setting_is_left_out() -> None:
    tested = {case[0] for case in CASES} | {
        "bedek_chaya", "lamed_tags", "tags_absent", "yud_kotz", "tefillin_lines",
    }  # fmt: skip
    assert tested.isdisjoint(RECORDED_ONLY)
    assert tested | set(RECORDED_ONLY) == every_setting()


def kinds(found: tuple[Finding, ...]) -> list[str]:
    return [finding.kind for finding in found]


def test_a_letter_half_way_to_large_is_not_enough() -> None:
    # Half way between 1 and the ratio asked for, 1.5: from 1.25 on it is large.
    by = customs(large_letters="expected")
    near = mezuzah(**{"0_2": {"tall": 1.2}, "5_2": {"tall": 1.3}})
    (finding,) = collect_findings(near, by)
    assert (finding.kind, finding.letter) == ("letter_size", "ע")
    four = customs(large_letters="expected", large_letter_ratio=4.0)  # Keset 20:5: as four
    assert kinds(collect_findings(near, four)) == ["letter_size", "letter_size"]
