"""The list of commands: light to load, and a command whose extra is absent says which."""

from __future__ import annotations

import argparse
import subprocess
import sys
import types

import pytest

from crownlet.infer import cli


def test_every_command_is_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["--help"])
    assert caught.value.code == 0
    listed = capsys.readouterr().out
    for name in cli.COMMANDS:
        assert f"\n    {name} " in listed


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from crownlet.infer import cli\n"
        "try:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = ('numpy', 'cv2', 'onnxruntime', 'PIL', 'torch', 'scipy', 'matplotlib',\n"
        "         'starlette', 'uvicorn', 'jinja2', 'yaml', 'sqlite3')\n"
        "print([name for name in heavy if name in sys.modules], file=sys.stderr)\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=600)
    assert run.stderr.strip() == "[]"


@pytest.fixture
def needing(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A review command that imports what `absent[0]` names."""
    absent = ["starlette"]

    def run(options: argparse.Namespace) -> int:
        raise ModuleNotFoundError(f"No module named {absent[0]!r}", name=absent[0])

    def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
        commands.add_parser("review").set_defaults(run=run)

    module = types.ModuleType("crownlet.infer.commands.review")
    module.add = add  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setattr(cli, "COMMANDS", ("review",))
    return absent


def test_an_absent_extra_is_named_in_one_sentence(
    needing: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["review"]) == 2
    output = capsys.readouterr().err
    assert "starlette" in output
    assert "pip install '.[review]'" in output
    assert output.count("\n") == 1


def test_an_absent_module_of_ours_is_no_absent_extra(needing: list[str]) -> None:
    needing[0] = "crownlet.infer.review.web.app"
    with pytest.raises(ModuleNotFoundError):
        cli.main(["review"])
