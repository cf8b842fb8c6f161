"""The example of the survey's README is executed, against a small exported survey."""

from __future__ import annotations

import doctest
from pathlib import Path

import made_surveys
import pytest

from crownlet.infer import survey
from crownlet.infer.survey.tidy import write_export

README = Path(survey.__file__).with_name("README.md")


def test_the_notebook_example_gives_what_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_export(made_surveys.small(answers=made_surveys.ANSWERS), tmp_path / "S" / "export")
    monkeypatch.chdir(tmp_path)
    failed, tried = doctest.testfile(str(README), module_relative=False, encoding="utf-8")
    assert tried > 15 and failed == 0


def test_every_public_name_is_there() -> None:
    for name in survey.__all__:
        assert getattr(survey, name).__name__ == name
    with pytest.raises(AttributeError):
        _ = survey.no_such_name  # type: ignore[attr-defined]
    assert set(survey.__all__) <= set(dir(survey))
