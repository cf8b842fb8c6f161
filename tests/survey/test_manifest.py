"""Manifests of a survey: what is read, and how every wrong line is named before anything runs."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest

from crownlet.infer import cli
from crownlet.infer.scrolls.members import ScrollTableError
from crownlet.infer.survey.manifest import ManifestError, read_manifest
from crownlet.infer.survey.pseudonyms import assign_codes, read_keys, write_keys

HEADER = "scan,scroll,source,side,portion,customs,note\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("a.png", "b.png", "c.png", "d.png", "סריקה 1.png"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "copy.png").write_bytes(b"a.png")
    return tmp_path


def written(folder: Path, rows: str, header: str = HEADER) -> Path:
    path = folder / "m.csv"
    path.write_text(header + rows, encoding="utf-8")
    return path


def test_rows_are_read_with_paths_from_the_manifests_folder_and_what_is_left_empty(
    folder: Path,
) -> None:
    (folder / "mine.yaml").write_text("name: mine\n")
    manifest = read_manifest(
        written(
            folder,
            "a.png,s1,North,face,mezuzah,beit_yosef,worn\nb.png,s1,North,REVERSE,,,\n"
            "סריקה 1.png,מגילה,South,face,,mine.yaml,\n",
        ),
        "none",
        "arizal",
    )
    first, second, third = manifest.rows
    assert (first.scan, first.side, first.portion, first.customs) == (
        folder / "a.png", "face", "mezuzah", "beit_yosef",
    )  # fmt: skip
    assert (second.side, second.portion, second.customs) == ("reverse", "none", "arizal")
    assert (third.scroll, third.customs, third.line) == ("מגילה", str(folder / "mine.yaml"), 4)
    assert manifest.sources == {"North": 1, "South": 1}
    # SHA-256 of the five bytes "a.png", by coreutils' sha256sum.
    assert first.sha256 == "7f071235805fbf58a2524f77bff76e1391d0d1cfe2f4c190d73054495e05b460"


@pytest.mark.parametrize("divider", [",", ";", "\t"])
@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_tables_as_spreadsheets_write_them(
    folder: Path, divider: str, coding: str, end: str
) -> None:
    """Spreadsheets divide by semicolons where commas are decimal, mark UTF-8, and end lines by
    CRLF (RFC 4180, section 2)."""
    lines = ["scan,scroll,source,side", "סריקה 1.png,s1,North,face"]
    text = "".join(line.replace(",", divider) + end for line in lines)
    path = folder / "m.csv"
    path.write_bytes(text.encode(coding))
    assert [row.scan.name for row in read_manifest(path).rows] == ["סריקה 1.png"]


def test_names_in_the_other_unicode_form_are_the_same_names(folder: Path) -> None:
    """Unicode Standard Annex 15: e with acute is one code point or two."""
    (folder / unicodedata.normalize("NFD", "caf\u00e9.png")).write_bytes(b"x")
    rows = "caf\u00e9.png,s1,North,face,,,\nb.png,s1,North,face,,,\n"
    assert len(read_manifest(written(folder, rows)).rows) == 2


WRONG = {
    "gone.png,s1,North,face,,,": ["scan: 'gone.png': no such file."],
    ".,s1,North,face,,,": ["scan: '.': is not a file."],
    ",s1,North,face,,,": ["scan: is empty."],
    "b.png,,North,face,,,": ["scroll: is empty."],
    "b.png,s2,,face,,,": ["source: is empty."],
    "b.png,s2,North,,,,": ["side: is empty."],
    "b.png,s2,North,front,,,": ["side: 'front' is neither face nor reverse."],
    "b.png,s2,North,face,mezuza,,": [
        "portion: there is no portion 'mezuza'; did you mean 'mezuzah'?"
    ],
    "b.png,s2,North,face,,sfardi,": ["customs: 'sfardi' is neither shipped customs"],
    "a.png,s2,North,face,,,": ["scan: 'a.png' stands on line 2 already."],
    "./a.png,s2,North,face,,,": ["scan: './a.png' stands on line 2 already."],
    "copy.png,s2,North,face,,,": ["scan: 'copy.png' is the same picture as that of line 2."],
    "b.png,S1,South,face,,,": ["source: line 2 names another source, 'North', for the scroll"],
    "b.png,s2,north,face,,,": ["source: 'north' is written 'North' on line 2."],
    "gone.png,s2,,front,x,y,": ["source: is", "side: 'f", "portion: 'x", "customs: 'y", "scan: 'g"],
}


@pytest.mark.parametrize("row", WRONG)
def test_each_fault_is_named_by_line_and_column(folder: Path, row: str) -> None:
    path = written(folder, f"a.png,s1,North,face,,,\n\n{row}\n")
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    assert len(caught.value.faults) == len(WRONG[row])
    for fault, message in zip(caught.value.faults, WRONG[row], strict=True):
        assert fault.startswith(f"line 4, column {message}") and fault.endswith((".", "?"))


def test_every_fault_is_stated_and_nothing_is_run(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(folder, "gone.png,s1,North,face,,,\na.png,s1,North,front,,,\nb.png,s2\n")
    out = folder / "S"
    assert cli.main(["survey", "run", str(path), "--out", str(out)]) == 2
    output = capsys.readouterr().err.splitlines()
    assert output[0] == f"crownlet: {path}: 3 faults; nothing was run."
    assert [line.strip().split(":")[0] for line in output[1:]] == [
        "line 2, column scan", "line 3, column side", "line 4",
    ]  # fmt: skip
    assert not out.exists()


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("scan,scroll,side\n", "line 1: the column source is absent."),
        ("scan,scrol,source,side\n", "line 1: the column scroll is absent. Is it 'scrol'?"),
        ("scan,scan,scroll,side,source\n", "line 1, column 2: 'scan' stands twice"),
        (HEADER, "the table has no rows"),
    ],
)
def test_what_is_no_manifest_is_refused(folder: Path, header: str, message: str) -> None:
    with pytest.raises(ScrollTableError, match=message):
        read_manifest(written(folder, "", header))


def test_codes_hang_on_the_seed_and_stay_when_the_survey_grows(folder: Path) -> None:
    rows = "a.png,s1,North,face,,,\nb.png,s1,North,reverse,,,\nc.png,s2,South,face,,,\n"
    first = assign_codes(read_manifest(written(folder, rows)), 1)
    assert {key.code for key in first} == {"A", "B"}
    assert [key.page.partition("-")[2] for key in first] == ["face", "reverse", "face"]
    assert first[0].coded_scroll == first[1].coded_scroll != first[2].coded_scroll
    orders = {assign_codes(read_manifest(folder / "m.csv"), seed)[0].code for seed in range(20)}
    assert orders == {"A", "B"}

    write_keys(folder, first)
    assert read_keys(folder) == first
    more = read_manifest(written(folder, "d.png,s0,East,face,,,\n" + rows))
    grown = assign_codes(more, 1, read_keys(folder))
    assert [(key.page, key.code) for key in grown[1:]] == [(key.page, key.code) for key in first]
    assert (grown[0].page, grown[0].code) == ("S003-face", "C")


LEVELS = "scan,scroll,source,side,scribe,workshop,date,price\n"


def test_scribes_and_free_columns_are_kept_under_codes(folder: Path) -> None:
    """One hand has one code, also where it writes for two sources; its name is in the key alone."""
    rows = (
        "a.png,s1,North,face,Ploni,Yard,2025-03,120\nb.png,s1,North,reverse,ploni,Yard,2025-03,120"
        "\nc.png,s2,South,face,Ploni,,,95\nd.png,s3,South,face,,,2024-01,\n"
    )
    manifest = read_manifest(written(folder, rows, LEVELS))
    assert manifest.rows[0].covariates == (("date", "2025-03"), ("price", "120"))
    keys = assign_codes(manifest, 1)
    assert [key.coded_scribe for key in keys] == ["H001", "H001", "H001", ""]
    assert [key.coded_workshop for key in keys] == ["W01", "W01", "", ""]
    write_keys(folder, keys)
    assert read_keys(folder) == keys


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("scan,scroll,side,source,shop", "column 5: 'shop' is no column; did you mean 'source'?"),
        ("scan,scroll,side,source,scribes", "column 5: 'scribes' is no column; did you mean 'scri"),
        ("scan,scroll,side,source,label", "column 5: 'label' is a column of the survey's own tab"),
        ("scan,scroll,side,source,how old", "column 5: 'how old' names no covariate"),
    ],
)
def test_slips_in_the_names_of_columns_are_no_covariates(
    folder: Path, header: str, message: str
) -> None:
    with pytest.raises(ManifestError) as caught:
        read_manifest(written(folder, "a.png,s1,face,North,x\n", header + "\n"))
    assert message in caught.value.faults[0]


def test_one_scroll_has_one_scribe_and_no_covariate_names_anyone(folder: Path) -> None:
    rows = (
        "a.png,s1,North,face,P,,,\nb.png,s1,North,reverse,Q,,,\nc.png,s2,North,face,,,,of north\n"
    )
    with pytest.raises(ManifestError) as caught:
        read_manifest(written(folder, rows, LEVELS))
    assert caught.value.faults[0].startswith("line 3, column scribe: line 2 has 'P'")
    good = written(folder, "a.png,s1,North,face,P,,,\nc.png,s2,North,face,,,,of north\n", LEVELS)
    with pytest.raises(ManifestError) as caught:
        read_manifest(good)
    assert caught.value.faults == ("line 3, column price: holds the name of a source.",)


def test_a_key_of_an_earlier_version_is_read_without_scribes(folder: Path) -> None:
    rows = "a.png,s1,North,face,,,\n"
    write_keys(folder, assign_codes(read_manifest(written(folder, rows)), 1))
    lines = (folder / "sources.csv").read_text("utf-8").splitlines()
    old = "\n".join(",".join(line.split(",")[:9]) for line in lines)
    (folder / "sources.csv").write_text(old + "\n", "utf-8")
    assert read_keys(folder)[0].coded_scribe == "" and read_keys(folder)[0].code == "A"
