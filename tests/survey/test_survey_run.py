"""`crownlet survey run` on four tiny pages of block letters: begun, stopped, grown, read blind."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import blocks
import numpy as np
import pytest
import review_server
from PIL import Image

from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer import cli, inspector
from crownlet.infer.batch import worker
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.survey_questions import read_audit, write_audit
from crownlet.infer.review.web.item_view import view_item
from crownlet.infer.run.run import open_run
from crownlet.infer.run.survey_state import read_survey, write_survey
from crownlet.infer.scrolls.gather import update_scrolls
from crownlet.infer.survey import run as survey_run
from crownlet.infer.survey.data import load_survey
from crownlet.infer.survey.design import DesignError, SurveyDesign, write_design
from crownlet.infer.survey.pseudonyms import read_keys

LINES = [" ".join(line) for line in (load_portion("mezuzah").lines or ())[:4]]
ROWS = ("a,s1,Northgate,face", "b,s1,Northgate,face", "c,s2,Southgate,face", "d,s3,Southgate,face")


@pytest.fixture(scope="module", autouse=True)
def reader() -> Iterator[None]:
    """Block letters, to whose reader their sizes are no surprise."""
    familiar = blocks.inspector(blocks.BlockNetworks()).thresholds
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(survey_run, "OnnxNetworks", lambda folder: blocks.BlockNetworks())
        patch.setattr(inspector, "load_thresholds", lambda folder: familiar)
        yield


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four pages of one line each, and a manifest."""
    folder = tmp_path_factory.mktemp("Northgate scans")
    for name, line in zip("abcd", LINES, strict=True):
        Image.fromarray(blocks.page([line], 18.0, margin=6.0)[0]).save(folder / f"{name}.png")
    manifest(folder, ROWS)
    return folder


def manifest(folder: Path, rows: tuple[str, ...]) -> Path:
    lines = [",".join([f"{row.split(',')[0]}.png", *row.split(",")[1:]]) for row in rows]
    path = folder / "m.csv"
    path.write_text("scan,scroll,source,side\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def survey(scans: Path, out: Path, *more: str) -> int:
    options = ["--portion", "none", "--audit", "2", *more]
    return cli.main(["survey", "run", str(scans / "m.csv"), "--out", str(out), *options])


@pytest.fixture(scope="module")
def once(reader: None, scans: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "S"
    assert survey(scans, out) == 0
    return out


def files(folder: Path) -> dict[str, bytes]:
    """Everything but how long it took."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "timing.json"
    }


def test_a_survey_is_inspected_recorded_and_drawn(once: Path) -> None:
    recorded = read_survey(once)
    assert recorded is not None and recorded.complete and recorded.seed == 2007
    assert set(open_run(once).pages) == set(recorded.pages) and len(recorded.pages) == 4
    pairs = read_audit(once)
    by_scroll = {name.partition("-")[0] for name in recorded.pages}
    assert {pair.page.partition("-")[0] for pair in pairs} == by_scroll and len(by_scroll) == 3
    gathered = load_survey(once)
    assert set(gathered.codes) == {"Northgate", "Southgate"}
    assert sorted(gathered.codes.values()) == ["A", "B"] == list(gathered.arrays.sources)
    assert [scroll.faces for scroll in gathered.scrolls].count(2) == 1
    assert gathered.audit.drawn == len(pairs) and gathered.audit.decided == 0


def test_the_same_survey_gives_the_same_bytes_and_keeps_finished_pages(
    once: Path, scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "S"
    shutil.copytree(once, out)
    before = {path: path.stat().st_mtime_ns for path in out.glob("*/page.json")}
    assert survey(scans, out) == 0
    assert "4 pages were inspected before and kept." in capsys.readouterr().out
    assert {path: path.stat().st_mtime_ns for path in out.glob("*/page.json")} == before
    assert files(out) == files(once)


def test_nobody_who_reads_sees_a_source(once: Path, tmp_path: Path) -> None:
    out = tmp_path / "S"
    shutil.copytree(once, out)
    run = open_run(out)
    store = ReviewStore.open(out / "review.sqlite3", run)
    items = store.items("reader", reveal=True)
    assert len(items) == len(read_audit(out)) and {item.origin for item in items} == {"survey"}
    for item in items:
        for blind in (True, False):
            shown = repr(view_item(item, run, blind=blind))
            assert not any(name in shown for name in ("Northgate", "Southgate", "s1", "s2", "s3"))
    store.close()
    assert "gate" not in (out / "scrolls.json").read_text(encoding="utf-8")
    assert "gate" not in (out / "audit.csv").read_text(encoding="utf-8")
    assert "gate" not in (out / "survey.json").read_text(encoding="utf-8")


def test_a_bad_scan_is_named_at_the_end_and_stops_nothing(
    scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "Northgate"
    shutil.copytree(scans, own)
    (own / "b.png").write_bytes(b"no picture")
    out = tmp_path / "S"
    assert survey(own, out) == 1
    output = capsys.readouterr().err.splitlines()
    assert output[-2] == "crownlet: 1 of 4 scans could not be inspected:"
    assert output[-1].startswith("crownlet: line 3 of the manifest, S00")
    gathered = load_survey(out)
    assert len(gathered.scrolls) == 3 and len(gathered.notes) == 1
    assert "was not inspected" in gathered.notes[0] and "gate" not in gathered.notes[0]

    shutil.copy(scans / "b.png", own / "b.png")
    assert survey(own, out) == 0
    assert not load_survey(out).notes


def test_a_scroll_without_any_inspected_page_is_named_with_its_source(
    once: Path, tmp_path: Path
) -> None:
    """No outside source: whoever reads the report is to know which units are absent."""
    out = tmp_path / "S"
    shutil.copytree(once, out)
    record, keys = read_survey(out), read_keys(out)
    assert record is not None
    lost = next(key for key in keys if key.scroll == "s3")
    pages = {page: sha for page, sha in record.pages.items() if page != lost.page}
    write_survey(out, replace(record, pages=pages, failed={lost.page: "the page is blank."}))
    shutil.rmtree(out / lost.page)
    update_scrolls(out)
    kept = [pair for pair in read_audit(out) if pair.page != lost.page]
    write_audit(out, kept)
    assert load_survey(out).notes[:2] == (
        f"{lost.page} of source {lost.code} was not inspected: the page is blank.",
        f"{lost.coded_scroll} of source {lost.code} is not counted: none of its pages was "
        "inspected.",
    )


def test_a_changed_picture_is_inspected_anew_and_said(
    scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own, out = tmp_path / "scans", tmp_path / "S"
    shutil.copytree(scans, own)
    assert survey(own, out) == 0
    Image.fromarray(blocks.page(["אבגד"], 18.0, margin=6.0)[0]).save(own / "d.png")
    capsys.readouterr()
    assert survey(own, out) == 0
    output = capsys.readouterr().out
    page = next(p.name for p in open_run(out).pages.values() if len(p.record.glyphs) == 4)
    assert (
        f"Inspected again, since picture, networks, customs, text or program changed: {page}."
        in output
    )
    assert "3 pages were inspected before and kept." in output


@pytest.mark.skipif(sys.platform == "win32", reason="has no fork and no SIGKILL")
def test_a_killed_survey_goes_on_where_it_was(once: Path, scans: Path, tmp_path: Path) -> None:
    out = tmp_path / "S"
    write, calls = worker.write_page, []

    def killed(*arguments: object) -> object:
        calls.append(1)
        if len(calls) == 3:
            os.kill(os.getpid(), signal.SIGKILL)
        return write(*arguments)  # type: ignore[arg-type]

    child = os.fork()
    if child == 0:
        try:
            worker.write_page = killed  # type: ignore[assignment]
            survey(scans, out)
        finally:
            os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    done = {path: path.stat().st_mtime_ns for path in out.glob("*/page.json")}
    assert len(done) == 2
    with pytest.raises(ReviewStoreError, match="not complete"):
        ReviewStore.open(out / "review.sqlite3", open_run(out))
    (out / "review.sqlite3").unlink()
    for path in out.glob("review.sqlite3-*"):
        path.unlink()

    assert survey(scans, out) == 0
    assert {path: path.stat().st_mtime_ns for path in done} == done
    assert files(out) == files(once)


def test_ctrl_c_leaves_whole_pages(
    scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "S"
    write, calls = worker.write_page, []

    def stopped(*arguments: object) -> object:
        calls.append(1)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return write(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(worker, "write_page", stopped)
    assert survey(scans, out) == 130
    recorded = read_survey(out)
    assert recorded is not None and not recorded.complete
    assert len(open_run(out).pages) == 1


def test_the_seed_stays_and_another_run_is_not_written_into(
    once: Path, scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "S"
    shutil.copytree(once, out)
    assert survey(scans, out, "--seed", "1") == 2
    assert "was begun with the seed 2007" in capsys.readouterr().err
    (out / "survey.json").unlink()
    assert survey(scans, out) == 2
    assert "holds pages of another run" in capsys.readouterr().err


def test_the_letters_are_exported_under_codes(
    once: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "S"
    shutil.copytree(once, out)
    assert cli.main(["survey", "export", str(out)]) == 0
    text = capsys.readouterr().out
    assert "letters.parquet" in text and "Name none in public" in text
    table = (out / "export" / "letters.csv").read_text(encoding="utf-8")
    assert "gate" not in table
    gathered = load_survey(out)
    audited = gathered.questions
    assert audited is not None
    assert len(table.splitlines()) == 1 + int(np.isfinite(audited.chance).sum())
    assert cli.main(["survey", "export", str(tmp_path / "none")]) == 2


DESIGN = SurveyDesign(
    "2026-11-30", ("ink_lost", "tag_missing"), (("Southgate", "Northgate"),), 2, portion="none"
)


def test_a_survey_holds_to_its_design_and_records_what_is_changed(
    scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    declared, out = tmp_path / "design.json", tmp_path / "S"
    write_design(declared, DESIGN)
    base = ["survey", "run", str(scans / "m.csv"), "--out", str(out)]
    assert cli.main([*base, "--design", str(declared)]) == 0
    text = capsys.readouterr().out
    assert "Audit: about 12 questions to answer (3 scrolls, 2 defects, 2 letters of each)" in text
    assert text.index("questions to answer") < text.index("questions drawn")
    assert "Exploratory" not in text and "No design" not in text
    gathered = load_survey(out)
    assert gathered.design is not None and gathered.history == ()
    assert gathered.design.rename_sources({v: k for k, v in gathered.codes.items()}) == DESIGN
    assert "gate" not in (out / "design.json").read_text(encoding="utf-8")
    assert {pair.defect for pair in read_audit(out)} == set(DESIGN.defects)

    assert cli.main([*base, "--defects", "ink_lost,tag_bare"]) == 0
    assert "Exploratory: " in capsys.readouterr().out
    [change] = load_survey(out).history
    assert (change.setting, change.used) == ("defects", "tag_bare, ink_lost")
    assert cli.main(base) == 0
    assert load_survey(out).history == (change,)

    other = tmp_path / "other.json"
    write_design(other, replace(DESIGN, seed=9))
    assert cli.main([*base, "--design", str(other)]) == 2
    assert "was begun with another design" in capsys.readouterr().err
    (out / "design.json").unlink()
    with pytest.raises(DesignError):
        load_survey(out)


def test_a_design_given_late_is_recorded_as_late(
    once: Path, scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    declared, out = tmp_path / "design.json", tmp_path / "S"
    shutil.copytree(once, out)
    assert load_survey(out).design is None
    write_design(declared, DESIGN)
    assert survey(scans, out, "--design", str(declared)) == 0
    assert "design changed from none (declared) to given after the survey was begun" in (
        capsys.readouterr().out
    )
    assert [change.setting for change in load_survey(out).history] == ["design", "defects"]


def test_a_design_of_other_sources_is_refused(
    scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    declared = tmp_path / "design.json"
    write_design(declared, replace(DESIGN, comparisons=(("Northgate", "Eastgate"),)))
    assert survey(scans, tmp_path / "S", "--design", str(declared)) == 2
    assert "'Eastgate', which is no source here" in capsys.readouterr().err


def test_pages_that_left_the_manifest_are_left_out(
    once: Path, scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own, out = tmp_path / "scans", tmp_path / "S"
    shutil.copytree(scans, own)
    shutil.copytree(once, out)
    manifest(own, ROWS[:3])
    assert survey(own, out) == 0
    assert "no longer in the manifest" in capsys.readouterr().out
    assert len(load_survey(out).scrolls) == 2
    assert json.loads((out / "survey.json").read_bytes())["complete"]


def test_the_review_page_shows_no_source_and_says_how_letters_were_drawn(
    once: Path, tmp_path: Path
) -> None:
    out = tmp_path / "S"
    shutil.copytree(once, out)
    with review_server.review(open_run(out)) as review:
        window = review.client()
        start, one = (window.get(address).text for address in ("/", "/one"))
    assert "drawn at random for a survey" in start
    assert "mixed in by lot" not in start
    for text in (start, one):
        assert "Northgate" not in text and "Southgate" not in text


@pytest.mark.parametrize(
    ("action", "writer", "where"),
    [
        ("compare", "crownlet.infer.survey.report.write_report", "report"),
        ("export", "crownlet.infer.survey.tidy.write_export", "export"),
    ],
)
def test_a_full_disk_is_named_with_the_folder(
    action: str, writer: str, where: str, once: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """The system's words for the error (POSIX strerror), not those that pyarrow puts round them."""

    def fail(*arguments: object, **named: object) -> None:
        raise OSError(errno.ENOSPC, "Error writing bytes to file. Detail: [errno 28] No space left")

    out = tmp_path / "S"
    shutil.copytree(once, out)
    monkeypatch.setattr(writer, fail)
    assert cli.main(["survey", action, str(out)]) == 1
    reason = os.strerror(errno.ENOSPC)
    assert capsys.readouterr().err == f"crownlet: {out / where}: cannot be written ({reason}).\n"
