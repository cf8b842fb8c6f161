"""`crownlet sheet`: all files of a run, what cannot be done, and what readers decided."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from pathlib import Path

import pytest
import sheet_samples as made

from crownlet.infer.cli import main
from crownlet.infer.run import pictures
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.sheet.make import make_sheets
from crownlet.infer.sheet.statements import POSTER_CROPS
from crownlet.infer.sheet.teaching_sheet import make_lessons, render_teaching_sheet

TAG = ("tag_loose", "finding", 0.97)
FOOT = ("foot_level", "finding", 0.95)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    made.page(tmp_path, "calm", made.glyphs())
    made.page(tmp_path, "bad", made.glyphs(doubts={1: TAG, 31: FOOT}))
    made.page(tmp_path, "slight", made.glyphs(doubts={31: FOOT}))
    names = ("calm", "slight", "bad")
    return made.scrolls(tmp_path, [{"name": n, "faces": [n]} for n in names])


def test_the_command_writes_every_sheet(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", str(run.folder)]) == 0
    names = {p.name for p in (run.folder / "sheets").iterdir()}
    assert names == {"index.html", "teaching.html", "calm.html", "slight.html", "bad.html"}
    assert "index.html in a browser" in capsys.readouterr().out


def test_the_index_puts_the_most_urgent_first(run: Run) -> None:
    made_sheets = make_sheets(run, report=lambda line: None)
    index = made.Document(made_sheets.index.read_text(encoding="utf-8"))
    assert index.links == ["teaching.html", "bad.html", "slight.html", "calm.html"]


def test_no_picture_of_a_scroll_is_held_when_that_of_another_is_read(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two large ones take more than 1.5 GB, which is this project's own limit.

    The teaching sheet holds up to three small pages at once, in a run of its own: `run`.
    """
    read: list[weakref.ref[pictures.Pixels]] = []
    read_picture = pictures.read_picture

    def watched(facts: pictures.ImageFacts, folder: Path) -> pictures.Pixels:
        gc.collect()
        if len(read) <= 3:
            assert all(held() is None for held in read), "a picture is still held"
        pixels = read_picture(facts, folder)
        read.append(weakref.ref(pixels))
        return pixels

    monkeypatch.setattr(pictures, "read_picture", watched)
    make_sheets(run, report=lambda line: None)
    assert len(read) > 3


def test_one_scroll_alone(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", str(run.folder), "--scroll", "slight"]) == 0
    assert {p.name for p in (run.folder / "sheets").iterdir()} == {"index.html", "slight.html"}
    assert main(["sheet", str(run.folder), "--scroll", "none"]) == 2
    assert "no scroll is called 'none'" in capsys.readouterr().err


def test_a_picture_that_moved_is_stated_and_the_rest_is_made(
    run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    (run.folder.parent / "scans" / "bad.png").unlink()
    assert main(["sheet", str(run.folder)]) == 1
    message = capsys.readouterr().err
    assert "bad.png" in message
    assert message.count("\n") == 1
    sheets = run.folder / "sheets"
    assert not (sheets / "bad.html").exists()
    index = made.Document((sheets / "index.html").read_text(encoding="utf-8"))
    assert "No new sheet" in index.text
    assert (sheets / "slight.html").exists()


def test_no_run_is_stated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err.startswith("crownlet: ")


def test_a_run_without_findings_is_not_taken_for_clear(run: Run) -> None:
    (run.folder / "bad" / "findings.csv").unlink()
    make_sheets(open_run(run.folder), report=lambda line: None)
    text = made.Document((run.folder / "sheets" / "bad.html").read_text(encoding="utf-8")).text
    assert "bad: inspected by an older version" in text


def test_decisions_stand_on_the_sheet(run: Run) -> None:
    from crownlet.infer.review.store import ReviewStore

    store = ReviewStore.open(run.folder / "review.sqlite3", run, audit_share=0.0)
    item = next(i for i in store.items("Dov <b>") if i.page == "bad" and i.kind == "tag_loose")
    store.decide(item.id, "Dov <b>", "not_present", version=item.version, note="a fold")
    store.close()
    make_sheets(open_run(run.folder), report=lambda line: None)
    text = (run.folder / "sheets" / "bad.html").read_text(encoding="utf-8")
    shown = made.Document(text).text
    assert "not present" in shown
    assert "Dov <b>" in shown
    assert "a fold" in shown
    assert "<b>," not in text
    # What a reader did not find there is not taught.
    teaching = (run.folder / "sheets" / "teaching.html").read_text(encoding="utf-8")
    assert "Tag loose" not in made.Document(teaching).text
    assert "Foot level" in made.Document(teaching).text
    other = (run.folder / "sheets" / "slight.html").read_text(encoding="utf-8")
    assert "Decided" not in made.Document(other).text


def test_the_teaching_sheet_names_nobody(tmp_path: Path) -> None:
    made.page(tmp_path, "secretpage", made.glyphs(doubts={1: TAG, 10: FOOT, 31: FOOT}))
    entry = {"name": "secretscroll", "faces": ["secretpage"], "source": "secretsource"}
    run = made.scrolls(tmp_path, [entry])
    make_sheets(run, report=lambda line: None)
    text = (run.folder / "sheets" / "teaching.html").read_text(encoding="utf-8")
    assert "secret" not in text
    document = made.Document(text)
    assert "Crown loose" in document.text
    assert "MB 36:13" in document.text
    assert document.tags.count("section") == 2
    assert not any(made.red(image).any() for image in document.pictures())


def test_a_hundred_scrolls_stay_quick(tmp_path: Path, relative_time: Callable[..., float]) -> None:
    """The index of a hundred scrolls is one table of a hundred rows, small enough to open."""

    def make(count: int) -> tuple[float, Path]:
        folder, names = tmp_path / str(count), [f"s{k:03d}" for k in range(count)]
        for name in names:
            made.page(folder, name, made.glyphs(doubts={31: FOOT}))
        run = made.scrolls(folder, [{"name": n, "faces": [n]} for n in names])
        index: list[Path] = []
        seconds = relative_time(
            lambda: index.append(make_sheets(run, report=lambda line: None).index)
        )
        return seconds, index[0]

    few, (many, path) = make(10)[0], make(100)
    # Ten times the scrolls; each looked up in all the others would be a hundred times.
    assert many < 25 * few
    index = path.read_text(encoding="utf-8")
    assert made.Document(index).tags.count("tr") == 101
    assert len(index) < 100_000


def test_a_lesson_takes_its_good_form_from_another_scroll_where_its_own_has_none(
    tmp_path: Path,
) -> None:
    letters = made.glyphs()
    heads = {g.glyph: ("head_melted", "finding", 0.99) for g in letters if g.letter == "א"}
    made.page(tmp_path, "bad", made.glyphs(doubts=heads))
    run = made.scrolls(tmp_path, [{"name": "bad", "faces": ["bad"]}])
    (alone,) = make_lessons(run, run.scrolls)
    assert alone.good == () and alone.drawing is not None
    made.page(tmp_path, "sound", letters)
    entries = [{"name": name, "faces": [name]} for name in ("bad", "sound")]
    run = made.scrolls(tmp_path, entries)
    (lesson,) = make_lessons(run, run.scrolls)
    assert lesson.title == "head melted" and lesson.drawing is not None
    assert len(lesson.crops) == min(POSTER_CROPS, sum(not letters[n - 1].in_name for n in heads))
    assert [g.words for g in lesson.good] == ["Well formed, another scroll of the run"]
    html = render_teaching_sheet(run, run.scrolls)
    assert not any(made.red(image).any() for image in made.Document(html).pictures())


@pytest.mark.parametrize("notes", [2, 3, 5])
def test_the_index_names_two_sentences_of_a_scroll_and_how_many_more(
    tmp_path: Path, notes: int
) -> None:
    """All of them stand on the sheet; a list of scrolls is read at a glance."""
    made.page(tmp_path, "a", made.glyphs())
    listed = [f"Sentence {k}." for k in range(notes)]
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"], "notes": listed}])
    make_sheets(run, report=lambda line: None)
    index, sheet = (
        (run.folder / "sheets" / name).read_text("utf-8") for name in ("index.html", "a.html")
    )
    assert sum(note in index for note in listed) == 2
    assert all(note in sheet for note in listed)
    more = {2: "", 3: "1 sentence more on its sheet", 5: "3 sentences more on its sheet"}[notes]
    assert more in index and ("more on its sheet" in index) == bool(more)
