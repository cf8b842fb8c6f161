"""How many files of the package one page enters: what a reader of the code has to open.

The limit is this project's own decision (DEVELOPERS.md); no outside source.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Any

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer import Inspector
from crownlet.infer.networks import OnnxNetworks

MAX_FILES = 50
PACKAGE = Path(sys.modules[OnnxNetworks.__module__].__file__ or "").resolve().parents[1]


def test_a_page_enters_few_files(tmp_path: Path) -> None:
    import cv2

    picture = tmp_path / "page.png"
    cv2.imwrite(str(picture), compose(clean(portion="shema", split="heldout"), 3).image)
    inspector = Inspector()
    inspector.inspect(picture, portion="shema")  # What is loaded once does not count.
    entered: set[str] = set()

    def watch(frame: FrameType, event: str, argument: Any) -> None:
        if event == "call":
            entered.add(frame.f_code.co_filename)

    threading.setprofile(watch)
    sys.setprofile(watch)
    try:
        inspector.inspect(picture, portion="shema")
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
    own = {Path(file).resolve() for file in entered if not file.startswith("<")}
    files = sorted(str(file.relative_to(PACKAGE)) for file in own if PACKAGE in file.parents)
    files = [file for file in files if not file.startswith((".", "tests"))]
    assert "infer/pipeline.py" in files
    assert len(files) <= MAX_FILES, files
