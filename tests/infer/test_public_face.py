"""What `crownlet.infer` offers to Python users: exactly this, lazily, and it works together.

The list is this project's own decision (DEVELOPERS.md); no outside source. Markers for type
checkers: PEP 561. Versions: packaging.python.org/specifications/core-metadata.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

import pytest

import crownlet.infer
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean

PUBLIC = (
    "CrownletError", "FileFault", "Finding", "HabitRecord", "Inspector", "ModelError", "PageError",
    "PageRecord",
    "RunError", "collect_findings", "load_customs", "open_run", "write_page",
)  # fmt: skip

WRITTEN = "והיו הדברים\nהאלה אשר אנכי\nמצוך היום על\nלבבך ושננתם\n"
"""Deuteronomy 6:6-7; holds no Divine Name."""

LOADED = """
import sys
before = {*sys.modules}
import crownlet.infer
names = {*sys.modules} - before
print(*(n for n in names if n.partition(".")[0] not in sys.stdlib_module_names))
"""

EVERY_NAME = """
import sys
import crownlet.infer
for name in crownlet.infer.__all__:
    getattr(crownlet.infer, name)
print(*sorted({name.partition(".")[0] for name in sys.modules} & {"torch", "onnxruntime"}))
"""


def test_the_list_is_exact() -> None:
    assert tuple(crownlet.infer.__all__) == PUBLIC
    for name in PUBLIC:
        public = getattr(crownlet.infer, name)
        assert public.__name__ == name and public.__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
        getattr(crownlet.infer, "Nothing")  # noqa: B009


@pytest.mark.parametrize(
    ("code", "allowed"),
    [(LOADED, {"crownlet", "crownlet.infer"}), (EVERY_NAME, set[str]())],
    ids=["the package alone", "every public name"],
)
def test_importing_costs_nothing(code: str, allowed: set[str]) -> None:
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert {*run.stdout.split()} == allowed


def test_version_and_type_markers() -> None:
    assert crownlet.infer.__version__ == version("crownlet")
    for package in ("configs", "datasets", "infer", "models", "train"):
        assert (files(f"crownlet.{package}") / "py.typed").is_file(), package


def test_a_page_becomes_findings(tmp_path: Path) -> None:
    """The example of the README, on a page drawn here that holds one letter more than its text."""
    from crownlet.infer import (
        Finding,
        Inspector,
        collect_findings,
        load_customs,
        open_run,
        write_page,
    )

    for name, text in {"written": WRITTEN, "asked": WRITTEN.replace("אנכי", "אכי")}.items():
        (tmp_path / f"{name}.txt").write_text(text, encoding="utf-8")
    drawn = compose(clean(portion=str(tmp_path / "written.txt"), body=(48.0, 48.0)), 3)
    inspector = Inspector(customs="beit_yosef")
    page = inspector.inspect(drawn.image, portion=tmp_path / "asked.txt", name="first")
    assert "".join(glyph.letter for glyph in page.glyphs) == "".join(WRITTEN.split())
    findings = collect_findings(page, load_customs("beit_yosef"))
    assert all(isinstance(finding, Finding) for finding in findings)
    extra = 1 + "".join(WRITTEN.split()).index("אנכי") + 1
    assert [f.glyphs for f in findings if f.kind == "letter_extra"] == [(extra,)]
    write_page(page, tmp_path / "run", findings)
    stored = open_run(tmp_path / "run").pages["first"]
    assert [glyph.letter for glyph in stored.record.glyphs] == [g.letter for g in page.glyphs]


def test_errors_are_one_family(tmp_path: Path) -> None:
    from crownlet.infer import CrownletError, Inspector, open_run

    (tmp_path / "page.png").write_bytes(b"no picture")
    with pytest.raises(CrownletError, match=r"page\.png"):
        Inspector().inspect(tmp_path / "page.png")
    with pytest.raises(CrownletError, match="absent"):
        Inspector(tmp_path / "absent")
    with pytest.raises(CrownletError, match="absent"):
        open_run(tmp_path / "absent")
