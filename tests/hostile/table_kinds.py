"""The kinds of tables that strangers may hand over: whole ones, and what reads them."""

from __future__ import annotations

import contextlib
import io
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "infer"), str(HERE.parent / "review")]


@dataclass(frozen=True)
class Kind:
    """A kind of table: files that are whole, and what reads them."""

    whole: Callable[[Path], list[Path]]
    """Makes whole files in a folder, once in a process; one of them is damaged at a time."""
    read: Callable[[Path, Path, int], str]
    """Reads the folder with its damaged file; the answer is a refusal, "" where it was read."""
    lines: int = 1
    """Lines that a refusal may have."""


# What is whole.


def whole_manifest(folder: Path) -> list[Path]:
    from PIL import Image

    for name in ("a", "b"):
        Image.new("L", (20, 20), len(name)).save(folder / f"{name}.png")
    path = folder / "manifest.csv"
    path.write_text(
        "scan,scroll,source,side,portion,customs\na.png,S 1,one,face,mezuzah,beit_yosef\n"
        "b.png,S 2,two,reverse,,\n", "utf-8",
    )  # fmt: skip
    return [path]


def whole_scrolls(folder: Path) -> list[Path]:
    path = folder / "scrolls.csv"
    path.write_text("scan,scroll,side,source\na.png,S 1,face,one\nb.png,ש,reverse,\n", "utf-8")
    return [path]


def whole_coco(folder: Path) -> list[Path]:
    from crownlet.datasets.render.cli import render
    from crownlet.datasets.render.page.spec import clean

    return [render(folder, clean(portion="mezuzah_reverse", body=(24.0, 24.0)), 1)]


def whole_xml(folder: Path) -> list[Path]:
    page, alto = folder / "page.xml", folder / "alto.xml"
    page.write_text(
        '<PcGts><Page imageFilename="a.png" imageWidth="90" imageHeight="50"><ReadingOrder>'
        '<OrderedGroup id="g"><RegionRefIndexed index="0" regionRef="r"/></OrderedGroup>'
        '</ReadingOrder><TextRegion id="r"><Coords points="0,0 90,50"/><TextLine id="l">'
        '<Coords points="0,0 90,20"/><Word id="w"><Coords points="0,0 50,20"/><Glyph id="c">'
        '<Coords points="0,0 9,9"/><TextEquiv><Unicode>ש</Unicode></TextEquiv></Glyph></Word>'
        "<TextEquiv><Unicode>שמע ישראל</Unicode></TextEquiv></TextLine></TextRegion></Page>"
        "</PcGts>",
        "utf-8",
    )
    alto.write_text(
        "<alto><Description><sourceImageInformation><fileName>a.png</fileName>"
        '</sourceImageInformation></Description><Layout><Page ID="p" WIDTH="90" HEIGHT="50">'
        '<PrintSpace><TextBlock ID="b"><TextLine ID="l"><String ID="s" HPOS="0" VPOS="0" '
        'WIDTH="40" HEIGHT="20" CONTENT="שמע"/><SP/><String CONTENT="ישראל"/></TextLine>'
        "</TextBlock></PrintSpace></Page></Layout></alto>", "utf-8",
    )  # fmt: skip
    return [page, alto]


def whole_model(folder: Path) -> list[Path]:
    from crownlet.infer.networks import weights_folder

    shutil.copytree(weights_folder(), folder, dirs_exist_ok=True)
    return [*folder.glob("*.yaml"), *folder.glob("*.json")]


def whole_texts(folder: Path) -> list[Path]:
    from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS

    configs = HERE.parents[1] / "configs" / "customs"
    customs = [folder / f"{name}.yaml" for name in SHIPPED_CUSTOMS]
    for path in customs:
        shutil.copy(configs / path.name, path)
    text = folder / "text.txt"
    text.write_text("שמע ישראל\nיהוה אלהינו יהוה אחד\n", "utf-8")
    return [*customs, text]


def whole_set(folder: Path) -> list[Path]:
    import tiny

    from crownlet.datasets.scans.add import ScanSource, add_scans

    add_scans(folder, ScanSource(tiny.pages(folder.parent / "came", 2), "train", "drawn", [], "s"))
    return [folder / "manifest.yaml"]


def whole_run(folder: Path) -> list[Path]:
    """Pages of the shipped networks and a made one with findings, reviewed."""
    from dataclasses import replace

    import synthetic_runs as made
    import tiny

    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import open_run
    from crownlet.infer.run.write import write_page

    command("inspect", *tiny.pages(folder / "scans", 1), "--out", folder / "run", "--portion",
            "mezuzah_reverse")  # fmt: skip
    first = open_run(folder / "run").pages["p00-face"].record
    record = next(iter(made.pictured(folder / "drawn", ["made"], 60).pages.values())).record
    write_page(replace(record, versions=first.versions, quality=first.quality), folder / "run")
    store = ReviewStore.open(folder / "run" / "review.sqlite3", open_run(folder / "run"))
    store.decide(store.items("anna")[0].id, "anna", "present", version=0)
    store.close()
    return [path for path in sorted((folder / "run").rglob("*.*")) if path.is_file()]


def whole_survey(folder: Path) -> list[Path]:
    import tiny

    scans = tiny.pages(folder / "scans", 2)
    rows = [f"scans/{scan.name},s{k},source {k},face" for k, scan in enumerate(scans)]
    (folder / "manifest.csv").write_text("\n".join(("scan,scroll,source,side", *rows)) + "\n")
    command("survey", "run", folder / "manifest.csv", "--out", folder / "run")
    return [path for path in sorted((folder / "run").rglob("*.*")) if path.is_file()]


def whole_list(folder: Path) -> list[Path]:
    """A list of letters for `review --only`, beside the run that it is about."""
    whole_run(folder)
    from crownlet.infer.review.queue import askable_kinds
    from crownlet.infer.run.run import open_run

    record = open_run(folder / "run").pages["made"].record
    rows = [f"made,{k},{askable_kinds(record.glyphs[k - 1], record)[0]}" for k in (1, 2, 3)]
    (folder / "choice.csv").write_text("\n".join(("page,glyph,kind", *rows)) + "\n")
    return [folder / "choice.csv"]


def whole_stack(folder: Path) -> list[Path]:
    import tiny

    from crownlet.infer.desk.stack import Choices, Stack

    tiny.pages(folder / "scans", 2)
    stack = Stack.open(folder)
    stack.choose(Choices("mezuzah", "beit_yosef", {"style": "arizal"}))
    for key in list(stack.pictures):
        stack.name_picture(key, "S 1", "face", False)
    return [folder / "desk" / "stack.json"]


# What reads it.


def command(*arguments: object) -> str:
    """A command in this process: its errors, which must be sentences; AssertionError otherwise."""
    from crownlet.infer import cli

    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = cli.main([str(argument) for argument in arguments])
    lines = errors.getvalue().splitlines()
    if any(not line.startswith("crownlet: ") for line in lines) or (code != 0) != bool(lines):
        raise AssertionError(f"exit code {code}, {errors.getvalue()[-300:]!r}")
    return "\n".join(lines)


def call(function: Callable[..., object], *arguments: object) -> str:
    """A function: its refusal."""
    from crownlet.datasets.files.errors import CrownletError

    try:
        function(*arguments)
    except (CrownletError, ValueError) as error:
        # ValueError by itself is what customs and portions raise; a stranger's is a fault.
        if type(error) is not ValueError and not isinstance(error, CrownletError):
            raise
        return str(error)
    return ""


def read_manifest(folder: Path, path: Path, number: int) -> str:
    from crownlet.infer.survey.manifest import read_manifest as read

    return call(read, path)


def read_scrolls(folder: Path, path: Path, number: int) -> str:
    from crownlet.infer.scrolls.members import read_scroll_table

    return call(read_scroll_table, path)


def read_coco(folder: Path, path: Path, number: int) -> str:
    from crownlet.datasets.coco.read import load_coco
    from crownlet.datasets.scans.imports import import_scans

    def both() -> None:
        import_scans([folder / "images"], [path])
        for page in load_coco(path):
            len(page.letters)

    return call(both)


def read_xml(folder: Path, path: Path, number: int) -> str:
    from crownlet.datasets.scans.imports import read_written_page

    return call(read_written_page, path)


def read_model(folder: Path, path: Path, number: int) -> str:
    from crownlet.infer.drift.reference import read_drift_reference
    from crownlet.infer.thresholds import load_thresholds

    return call(lambda: (load_thresholds(folder), read_drift_reference(folder)))


def read_texts(folder: Path, path: Path, number: int) -> str:
    from crownlet.datasets.scribal.customs import load_customs
    from crownlet.datasets.scribal.texts import read_portion

    return call(read_portion if path.suffix == ".txt" else load_customs, path)


def read_set(folder: Path, path: Path, number: int) -> str:
    from crownlet.datasets.scans.check import check_dataset
    from crownlet.datasets.scans.manifest import open_scans

    return call(lambda: (open_scans(folder), check_dataset(folder)))


def read_run(folder: Path, path: Path, number: int) -> str:
    run = folder / "run"
    commands: tuple[tuple[object, ...], ...] = (
        ("sheet", run), ("review", run, "--export"), ("drift", run),
        ("inspect", folder / "scans", "--out", run, "--portion", "mezuzah_reverse"),
    )  # fmt: skip
    # Inspecting takes ten times as long as the others: one in ten.
    chosen = 3 if number % 10 == 9 else number % 3
    return command(*commands[chosen])


def read_survey(folder: Path, path: Path, number: int) -> str:
    return command("survey", "compare", folder / "run")


def read_list(folder: Path, path: Path, number: int) -> str:
    from crownlet.infer.review.subset import read_requested_items
    from crownlet.infer.run.run import open_run

    return call(lambda: read_requested_items(path, open_run(folder / "run")))


def read_stack(folder: Path, path: Path, number: int) -> str:
    from crownlet.infer.desk.desk import Desk
    from crownlet.infer.desk.stack import Stack
    from crownlet.infer.desk.web.render import render
    from crownlet.infer.desk.web.views import ResultRows, page_values

    def both() -> None:
        desk = Desk(Stack.open(folder))
        render("desk.html", page_values(desk, ResultRows(desk)))

    return call(both)


KINDS = {
    "manifest": Kind(whole_manifest, read_manifest, lines=40),
    "scrolls": Kind(whole_scrolls, read_scrolls),
    "coco": Kind(whole_coco, read_coco),
    "xml": Kind(whole_xml, read_xml),
    "model": Kind(whole_model, read_model),
    "texts": Kind(whole_texts, read_texts),
    "set": Kind(whole_set, read_set),
    "run": Kind(whole_run, read_run, lines=12),
    "survey": Kind(whole_survey, read_survey, lines=12),
    "list": Kind(whole_list, read_list),
    "stack": Kind(whole_stack, read_stack),
}
"""By name."""
