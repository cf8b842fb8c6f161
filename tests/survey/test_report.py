"""The report of a survey: whole and self-contained, no name unasked, its numbers those on disk."""

from __future__ import annotations

import base64
import csv
import hashlib
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest
import sheet_samples
from statsmodels.stats.multitest import multipletests

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer import cli
from crownlet.infer.run.survey_state import DesignChange
from crownlet.infer.survey.data import SurveyData, build_arrays
from crownlet.infer.survey.design import SurveyDesign
from crownlet.infer.survey.dictionary import MEANINGS
from crownlet.infer.survey.examples import draw_examples
from crownlet.infer.survey.labels import AuditCounts
from crownlet.infer.survey.merging import open_pages
from crownlet.infer.survey.report import write_report
from crownlet.infer.survey.response import AuditArrays
from crownlet.infer.survey.scroll_counts import ScrollCounts
from crownlet.infer.view.wording import count_per, format_percent, letters_per_unit

NAMES = {"<script>alert(1)</script>": "A", 'Smith & "Sons" Ltd': "B", "Northgate": "C"}
DEFECTS = ("part_loose", "heel_missing", "leg_touches_roof")
SCROLLS = 6
SEED = 5
# HTML Living Standard, 13.1.2: elements without an end tag.
VOID = {"meta", "img", "br", "link", "input", "hr"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eighteen pages of blocks, red where a Name stands."""
    out = tmp_path_factory.mktemp("survey")
    for number in range(3 * SCROLLS):
        sheet_samples.page(out, f"S{number:03d}-face", sheet_samples.glyphs())
    return out / "run"


@pytest.fixture(scope="module")
def survey(folder: Path) -> SurveyData:
    """B has far more loose parts than A and C; every third letter was read."""
    rng = np.random.default_rng(3)
    pages = list(open_pages(folder))
    letters = [glyph.letter for glyph in sheet_samples.glyphs()]
    count = len(letters)
    scroll = np.repeat(np.arange(len(pages)), count)
    code = np.array(list("ABC"))[scroll // SCROLLS]
    form = np.array(letters * len(pages))
    can = np.array([np.isin(form, list(CATALOGUE[d].letters)) for d in DEFECTS])
    truth = rng.random(can.shape) < np.where(code == "B", 0.6, 0.03)
    truth[1:] &= rng.random((2, len(form))) < 0.3
    claimed = np.where(truth, 0.9, 0.02) + rng.uniform(-0.02, 0.05, can.shape)
    label = np.where(rng.random(can.shape) < 1 / 3, truth, np.nan)
    label[2] = np.nan
    built = build_arrays(
        DEFECTS, scroll, code, np.where(can, claimed, np.nan), label=np.where(can, label, np.nan),
        inclusion_probability=1 / 3, found=can & (claimed > 0.5), letter=form,
        side=np.where(np.arange(len(scroll)) % 3, "face", "reverse"),
    )  # fmt: skip
    scrolls = [
        ScrollCounts(f"S{k:03d}", "ABC"[k // SCROLLS], 1, 0, count, 3) for k in range(len(pages))
    ]
    return SurveyData(
        built, np.repeat(pages, count), np.tile(np.arange(1, count + 1), len(pages)), NAMES,
        tuple(scrolls), AuditCounts(300, 290, 10), {"package": ("1",)}, ("A page failed.",),
    )  # fmt: skip


def rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / "report" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def page(folder: Path, survey: SurveyData) -> str:
    return write_report(folder, survey, SEED).read_text(encoding="utf-8")


class Seen(HTMLParser):
    """Tags that do not close, identifiers, addresses, and the tables that say what they hold."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self._table = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        assert len(given) == len(attrs)
        if tag not in VOID:
            self.open.append(tag)
        self.ids += [given["id"]] if "id" in given else []
        self.addresses += [given[name] for name in ("src", "href") if name in given]
        if tag == "table":
            self._table = given.get("data-table", "")
        if tag == "tr" and self._table:
            self.tables.setdefault(self._table, []).append([])
        if tag in ("td", "th") and self._table:
            self.tables[self._table][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        self._table = "" if tag == "table" else self._table

    def handle_data(self, data: str) -> None:
        if self._table and {"td", "th"} & set(self.open) and self.tables[self._table][-1]:
            self.tables[self._table][-1][-1] += data.strip()


def test_the_page_is_whole_and_needs_nothing_else(page: str) -> None:
    seen = Seen(page)
    assert seen.open == [] and len(set(seen.ids)) == len(seen.ids)
    assert seen.addresses and all(address.startswith("data:image/") for address in seen.addresses)
    assert "<script" not in page and not re.search(r"https?:|url\(|@import", page)
    for section in ("plain", "careful", "forest", "rates", "contrasts", "shares", "pairs"):
        assert section in seen.ids
    assert seen.ids.index("careful") < seen.ids.index("sources") < seen.ids.index("rates")
    assert "A page failed." in page


def test_columns_have_the_names_of_statistics(folder: Path, page: str) -> None:
    """Common practice, no source: `icc`, `ci_low`, `std_error` as in statistical packages."""
    rate = "source,basis,n_clusters,n_scrolls,n_letters,n_audited,estimate,std_error,ci_low,ci_high"
    test = "difference,ci_low,ci_high,p_value,p_value_exact,p_value_holm"
    columns = {
        "rates": f"defect,letter,{rate},design_effect,icc,note",
        "letters": f"defect,letter,{rate},design_effect,icc,note",
        "shares": "defect,source,n_scrolls,n_with_finding,estimate",
        "contrasts": f"defect,first,second,basis,n_first,n_second,{test},exploratory,note",
        "omnibus": "defect,basis,n_sources,n_clusters,between_sd,p_value,p_value_holm",
        "habits": "defect,tags_expected,letters,source,basis,n_clusters,n_with_habit,estimate,"
        "ci_low,ci_high,p_value,p_value_holm",
        "habit_contrasts": "defect,tags_expected,letters,first,second,n_first,n_second,"
        "difference,ci_low,ci_high,p_value,p_value_holm",
        "pairs": f"defect,basis,n_clusters,{test}",
        "pairs_by_source": f"defect,source,basis,n_clusters,{test}",
    }
    for name, header in columns.items():
        text = (folder / "report" / f"{name}.csv").read_text(encoding="utf-8")
        assert text.splitlines()[0] == header


def test_no_source_is_named_unasked(folder: Path, page: str) -> None:
    files = [p for p in (folder / "report").iterdir() if p.suffix != ".png"]
    assert {p.suffix for p in files} == {".csv", ".svg", ".html"}
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert not any(word in text for word in ("alert(1)", "Sons", "Northgate"))


def test_names_that_were_asked_for_are_escaped_and_warned_of(
    folder: Path, survey: SurveyData, page: str, tmp_path: Path
) -> None:
    text = write_report(beside(folder, tmp_path), survey, SEED, names=True).read_text("utf-8")
    assert "<script" not in text and "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "Smith &amp; &#34;Sons&#34; Ltd" in text and "Northgate" in text
    assert "not for passing on" in text and "not for passing on" not in page


@pytest.mark.parametrize(
    ("name", "key", "numbers"),
    [
        ("rates", ("defect", "source", "basis"),
         ("n_clusters", "n_letters", "n_audited", "estimate", "ci_low", "ci_high", "std_error",
          "design_effect", "icc")),
        ("contrasts", ("defect", "first", "second", "basis"),
         ("difference", "ci_low", "ci_high", "p_value", "p_value_holm")),
        ("shares", ("defect", "source"), ("n_scrolls", "n_with_finding", "estimate")),
        ("omnibus", ("defect", "basis"),
         ("n_sources", "n_clusters", "between_sd", "p_value", "p_value_holm")),
        ("pairs", ("defect", "basis"),
         ("n_clusters", "difference", "ci_low", "ci_high", "p_value", "p_value_holm")),
        ("pairs_by_source", ("defect", "source", "basis"),
         ("n_clusters", "difference", "ci_low", "ci_high", "p_value", "p_value_holm")),
    ],
)  # fmt: skip
def test_tables_say_what_the_files_say(
    folder: Path, page: str, name: str, key: tuple[str, ...], numbers: tuple[str, ...]
) -> None:
    with (folder / "report" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        kept = {tuple(row[k] for k in key): row for row in csv.DictReader(file)}
    rows = Seen(page).tables[name][1:]
    assert rows
    if name in ("rates", "pairs"):
        assert len(rows) == len(kept)
    for cells in rows:
        values = cells[:-1] if name == "contrasts" else cells
        head = [cell.replace(" ", "_") for cell in values[: len(values) - len(numbers)]]
        if name == "contrasts":
            head[1:2] = cells[1].split(" less ")
        head = ["any" if part == "any_kind" else part for part in head]
        row = kept[tuple(head)]
        for column, cell in zip(numbers, values[-len(numbers) :], strict=True):
            assert agrees(cell, row[column]), (head, column, cell, row[column])


def agrees(shown: str, kept: str) -> bool:
    """A number as shown is the one kept, to half of its last digit."""
    if not kept or shown == "–":
        return not kept and shown == "–"
    if shown == "<0.001":
        return float(kept) < 0.001
    text = shown.replace("−", "-").replace(",", "")
    scale = 100 if text.endswith("%") else 1
    text = text.removesuffix("%")
    if "e" in text or scale == 1:  # Two significant digits.
        return abs(float(text) - float(kept)) <= 0.051 * abs(float(kept)) + 0.0006
    digits = len(text.partition(".")[2])
    exact = text == "0" and scale == 100
    return abs(float(text) - scale * float(kept)) <= (0 if exact else 0.5001 * 10**-digits)


def test_p_values_are_corrected_over_all_tests_and_what_no_reader_checked_has_none(
    folder: Path, page: str
) -> None:
    """Holm (1979) by statsmodels, of the strict p values."""
    with (folder / "report" / "contrasts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {r["p_value"] for r in rows if r["basis"] == "unaudited"} == {""}
    assert all("no reader checked" in r["note"] for r in rows if r["basis"] == "unaudited")
    tested = [r for r in rows if r["p_value"]]
    assert len(tested) == 4
    rare = [r for r in rows if r["basis"] != "unaudited" and not r["p_value"]]
    assert len(rare) == 2 and all("too few of it in both together" in r["note"] for r in rare)
    expected = multipletests([float(r["p_value_exact"]) for r in tested], method="holm")[1]
    assert [float(r["p_value_holm"]) for r in tested] == pytest.approx(list(expected), rel=1e-8)


def test_divine_names_lie_under_plates(page: str) -> None:
    """Blocks of Names are red on the made-up pages: no picture shows any red."""
    crops = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page)
    assert len(crops) > 12
    for crop in crops:
        pixels = cv2.imdecode(np.frombuffer(base64.b64decode(crop), np.uint8), cv2.IMREAD_COLOR)
        blue, green, red = (pixels[..., k].astype(int) for k in range(3))
        assert not np.any((red - green > 90) & (red - blue > 90))


def test_the_lot_alone_chooses_letters(folder: Path, survey: SurveyData) -> None:
    """The probabilities turned round choose the same letters; another seed chooses others."""
    pages = open_pages(folder)
    turned = replace(survey.arrays, predicted=1 - survey.arrays.predicted)
    first = draw_examples(survey, pages, DEFECTS[:1], SEED)
    assert draw_examples(replace(survey, arrays=turned), pages, DEFECTS[:1], SEED) == first
    assert draw_examples(survey, pages, DEFECTS[:1], SEED + 1) != first
    assert [len(row.examples) for row in first[0].rows] == [6, 6, 6]


def test_plain_words_come_from_the_numbers(folder: Path, page: str) -> None:
    with (folder / "report" / "rates.csv").open(encoding="utf-8", newline="") as file:
        rows = {(r["defect"], r["source"]): r for r in csv.DictReader(file)}
    given = re.search(r"Of 100 letters that can have it, A has it on ([^,]+), B on ([^ ]+) ", page)
    assert given is not None
    assert float(given[2]) == round(100 * float(rows["part_loose", "B"]["estimate"]))
    assert "It is commoner on B than on A" in page
    assert (
        "A with C: not compared (too rare: readers met too few of it in both together, or" in page
    )
    # 0.9 to the 6th power: six scrolls, one in ten of them bad.
    assert "53 of 100 surveys with 6 scrolls" in page
    assert "Few scrolls of A, B and C: fewer than 8." in page


def test_what_no_reader_checked_is_never_put_as_fact(
    folder: Path, survey: SurveyData, tmp_path: Path
) -> None:
    bare = replace(survey.arrays, label=np.full_like(survey.arrays.label, np.nan))
    nothing = replace(survey, arrays=bare, audit=AuditCounts(0, 0, 0))
    text = write_report(beside(folder, tmp_path), nothing, SEED).read_text("utf-8")
    assert "Unaudited: all rates rest on the network&#39;s word alone." in text
    assert not any(words in text for words in ("has it on", "commoner on", "more on B"))
    assert "the network, unaudited, expects" in text
    rows = Seen(text).tables["rates"][1:]
    assert rows and all(row[7:9] == ["–", "–"] for row in rows)


def test_verdicts_come_first_and_say_what_was_tested(page: str) -> None:
    """The order of the page, and that the first sentences are those of the corrected tests."""
    ids = Seen(page).ids
    assert ids.index("verdicts") < ids.index("plain") < ids.index("careful")
    first = page[page.index('id="verdicts"') : page.index('id="plain"')]
    assert "more on B than on A" in first and "(6 scrolls a source)" in first
    assert "Nobody declared beforehand what would be compared" in first
    assert "Scribes not known: limits assume one a scroll" in first
    assert "2 further comparisons could not be made" in first


def test_the_report_says_when_and_from_what_it_was_made(folder: Path, page: str) -> None:
    """The checksum of a table by hashlib."""
    sums = hashlib.sha256((folder / "report" / "rates.csv").read_bytes()).hexdigest()
    assert sums in page and f"rates.csv SHA-256 {sums[:16]}" in page
    assert re.search(r"Report made on \d{4}-\d\d-\d\d\.", page)


def beside(folder: Path, tmp_path: Path) -> Path:
    """The same run in another folder, without its report."""
    return shutil.copytree(folder, tmp_path / "run", ignore=shutil.ignore_patterns("report"))


def test_numbers_as_a_reader_meets_them() -> None:
    """By hand."""
    assert [format_percent(v) for v in (0.0, 0.00042, 0.031, 1.0, None, -0.02)] == [
        "0%", "0.04%", "3.1%", "100.0%", "–", "−2.0%",
    ]  # fmt: skip
    assert [count_per(100, v) for v in (0.03, 0.0096, 0.004, 0.0001, 0.0)] == [
        "3", "1", "0.4", "under 0.1", "0",
    ]  # fmt: skip
    assert letters_per_unit([0.002, 0.001]) == 1000 and letters_per_unit([0.002, 0.3]) == 100


def test_the_demonstration_says_what_was_put_in(tmp_path: Path) -> None:
    """The generator's record: what was written is what a reader of every letter finds."""
    assert cli.main(["survey", "demo", str(tmp_path / "demo"), "--scrolls", "1"]) == 0
    report = tmp_path / "demo" / "survey" / "report"
    page = (report / "report.html").read_text("utf-8")
    assert "Sources, scribes and faults are invented" in page and "invented source" not in page
    with (report / "rates.csv").open(encoding="utf-8", newline="") as file:
        basis = {(r["defect"], r["source"]): r["basis"] for r in csv.DictReader(file)}
    rows = Seen(page).tables["putin"][1:]
    assert len(rows) == 9 and "No interval is given for A, B and C" in page
    read = [
        row
        for row in rows
        if basis[row[0].replace("crown ", "tag ").replace(" ", "_"), row[1]] == "read"
    ]
    assert read and all(row[3] == row[5] for row in read)
    # Half of the letters of one fault alone, at 0.95: `PageSpec.defect_rate` and `_letter_faults`.
    most = max(float(row[2].removesuffix("%")) for row in rows if row[0] == "crown missing")
    assert 30 < most < 47.5


def test_a_design_that_was_changed_leaves_no_comparison_declared(
    folder: Path, survey: SurveyData
) -> None:
    """No outside source: this project's rule, stated in the section on what was declared."""
    design = SurveyDesign("2026-11-30", ("part_loose", "heel_missing"))
    held = replace(survey, design=design)
    write_report(folder, held, SEED)
    assert {row["exploratory"] for row in rows_of(folder, "contrasts.csv") if row["p_value"]} == {
        "False"
    }
    change = DesignChange("2026-12-02", "audit", "10", "8")
    text = write_report(folder, replace(held, history=(change,)), SEED).read_text(encoding="utf-8")
    assert {row["exploratory"] for row in rows_of(folder, "contrasts.csv")} == {"True"}
    assert "Changed afterwards, so that every comparison is exploratory" in text
    assert "What was declared beforehand was changed afterwards: take a difference as" in text


def test_a_source_of_one_scroll_is_named_as_read_on_too_few(
    folder: Path, survey: SurveyData
) -> None:
    """Its scroll was read as the others were, which is no audit of a source. No outside source."""
    arrays = survey.arrays
    code = np.array(arrays.sources)[arrays.source_of[arrays.scroll]]
    kept = (code != "C") | (arrays.scroll == 2 * SCROLLS)
    label = arrays.label[:, kept]
    one = build_arrays(
        DEFECTS, arrays.scroll[kept], code[kept], arrays.predicted[:, kept], label=label,
        inclusion_probability=1 / 3, found=arrays.found[:, kept], side=arrays.side[kept],
        letter=arrays.letter[kept],
    )  # fmt: skip
    drawn = ~np.isnan(label)
    questions = AuditArrays(drawn, np.full(label.shape, 1 / 3), label, np.zeros(label.shape, bool))
    few = replace(
        survey, arrays=one, page=survey.page[kept], glyph=survey.glyph[kept], questions=questions,
        scrolls=survey.scrolls[: 2 * SCROLLS + 1],
    )  # fmt: skip
    text = write_report(folder, few, SEED).read_text(encoding="utf-8")
    assert "No reader has checked any letter" not in text
    assert "Nothing is claimed of C in 2 kinds that readers checked on enough scrolls" in text
    assert "Nothing is claimed of 1 kind, which readers did not check on enough scrolls" in text
    rates = [row for row in rows_of(folder, "rates.csv") if row["source"] == "C"]
    assert "readers' answers of 1 scroll do not count, 3 are needed" in rates[0]["note"]
    assert rates[-1]["note"].startswith("Unaudited: the network's word alone")
    notes = {(r["defect"], r["second"]): r["note"] for r in rows_of(folder, "contrasts.csv")}
    assert notes["part_loose", "C"] == "readers answered on fewer than 3 scrolls of one source"
    assert "no reader checked" in notes["leg_touches_roof", "C"]
    own = [r for r in rows_of(folder, "unanswered.csv") if r["source"] == "C"]
    assert own and all(r["labels_used"] == "False" and not r["estimate"] for r in own)


def test_every_column_of_every_table_is_in_the_dictionary_and_has_its_type(
    folder: Path, survey: SurveyData
) -> None:
    """Read by pyarrow as what the dictionary names; an unknown number is null, not a text."""
    page = write_report(folder, survey, SEED).read_text(encoding="utf-8")
    rows = rows_of(folder, "dictionary.csv")
    assert all(row["meaning"] for row in rows)
    assert {row["name"] for row in rows} == MEANINGS.keys()
    written = {path.name for path in (folder / "report").glob("*.csv")} - {"dictionary.csv"}
    assert {row["table"] for row in rows} == written
    types = {"text": pa.string(), "whole number": pa.int64(), "number": pa.float64()}
    for name in written:
        columns = {r["name"]: types.get(r["type"], pa.bool_()) for r in rows if r["table"] == name}
        options = pa_csv.ConvertOptions(column_types=columns)
        table = pa_csv.read_csv(folder / "report" / name, convert_options=options)
        assert table.column_names == list(columns), name
        assert name in page
