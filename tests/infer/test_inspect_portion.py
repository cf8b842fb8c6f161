"""`crownlet inspect` with a portion named, looked for, or left out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import blocks
import pytest
from PIL import Image

from crownlet.datasets.scribal.pentateuch.text import read_passage
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer import cli
from crownlet.infer import inspector as inspector_module

MEZUZAH = [" ".join(line) for line in load_portion("mezuzah").lines or ()][6:12]
NUMBERS = read_passage("Numbers 20:1-12").words
TORAH = [" ".join(NUMBERS[k : k + 6]) for k in range(3, 63, 6)]
OTHER = ["הללו את יהוה כל גוים", "שבחוהו כל האמים כי", "גבר עלינו חסדו ואמת"]  # Psalm 117


@pytest.fixture(autouse=True)
def reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inspector_module, "OnnxNetworks", lambda folder: blocks.BlockNetworks())


def inspected(folder: Path, lines: list[str], *options: str) -> dict[str, Any]:
    image, _ = blocks.page(lines, 10.0)
    Image.fromarray(image).save(folder / "page.png")
    run = folder / "run"
    assert cli.main(["inspect", str(folder / "page.png"), "--out", str(run), *options]) == 0
    facts: dict[str, Any] = json.loads((run / "page" / "page.json").read_text("utf-8"))
    return facts


@pytest.mark.parametrize("options", [(), ("--portion", "auto")])
def test_a_piece_of_a_torah_scroll_reads_itself(tmp_path: Path, options: tuple[str, ...]) -> None:
    text = inspected(tmp_path, TORAH, *options)["text"]
    assert text["portion"].startswith("Numbers 20:1-")
    assert text["found"] > 0.95
    assert (text["swapped"], text["extra"], text["absent"], text["places"]) == (0, 0, [], [])


def test_part_of_a_mezuzah_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = inspected(tmp_path, MEZUZAH)["text"]
    assert text["portion"] == "mezuzah"
    assert "By its words this is" in capsys.readouterr().out


def test_a_named_portion_is_not_looked_for(tmp_path: Path) -> None:
    text = inspected(tmp_path, TORAH, "--portion", "Numbers 20:1-12")["text"]
    assert (text["portion"], text["found"]) == ("Numbers 20:1-12", None)


@pytest.mark.parametrize(("lines", "options"), [(OTHER, ()), (MEZUZAH, ("--portion", "none"))])
def test_without_a_text_nothing_is_compared(
    tmp_path: Path, lines: list[str], options: tuple[str, ...]
) -> None:
    facts = inspected(tmp_path, lines, *options)
    assert facts["text"] is None
    assert any("no portion was named or found" in row for row in facts["not_examined"])


def test_in_python_nothing_is_compared_unless_asked_for() -> None:
    image, _ = blocks.page(MEZUZAH, 10.0)
    inspector = blocks.inspector(blocks.BlockNetworks())
    assert inspector.inspect(image).match is None
    found = inspector.inspect(image, "auto").match
    assert found is not None
    assert found.found is not None
