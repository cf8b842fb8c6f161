"""The stack on disk, the first look at a picture, and customs by sentences.

What is good enough is checked against a picture spoilt by a known amount; the other rules are this
project's own (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tiny
import yaml

from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS, Customs, load_customs
from crownlet.infer.desk.choices import (
    CUSTOMS_SENTENCES,
    SETTING_SENTENCES,
    TEXT_SENTENCES,
    check_choices,
    customs_argument,
)
from crownlet.infer.desk.first_look import FirstLook, look_at
from crownlet.infer.desk.guidance import ADVICE
from crownlet.infer.desk.stack import Choices, Stack, StackError, propose_place
from crownlet.infer.findings.customs import RECORDED_ONLY
from crownlet.infer.networks import OnnxNetworks, weights_folder
from crownlet.infer.thresholds import load_thresholds


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    path = tiny.pages(tmp_path_factory.mktemp("page"), 1)[0]
    return np.asarray(cv2.imread(str(path)))


def look(folder: Path, picture: np.ndarray | bytes) -> FirstLook:
    path = folder / "a.png"
    data = picture if isinstance(picture, bytes) else cv2.imencode(".png", picture)[1].tobytes()
    path.write_bytes(data)
    networks = OnnxNetworks(weights_folder(), 1)
    return look_at(path, folder / "small.jpg", networks, load_thresholds(weights_folder()))


def test_a_good_picture_is_good_and_proposes_side_and_text(
    page: np.ndarray, tmp_path: Path
) -> None:
    # Bodies of 45 px, pens of 15: above the 12.5 px that crowns need.
    found = look(tmp_path, cv2.resize(page, None, fx=1.25, fy=1.25, interpolation=cv2.INTER_CUBIC))
    assert (found.verdict, found.advice) == ("good", ())
    # The page was drawn as the reverse of a mezuzah, of 17 letters (Keset HaSofer 27:7).
    assert (found.side, found.text, found.letters) == ("reverse", "mezuzah_reverse", 17)
    assert max(cv2.imread(str(tmp_path / "small.jpg")).shape) == 360


def overexposed(picture: np.ndarray, light: float) -> np.ndarray:
    """As a lens and a sensor of 8 bits give it in so much more light."""
    soft = cv2.GaussianBlur(picture, (0, 0), 1).astype(np.float64)
    return np.clip(light * soft, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("change", "verdict", "advice"),
    [
        # Bodies of 18 px are pens of 6 px: too few for hairlines, whatever crowns need.
        (lambda p: cv2.resize(p, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA), "partly",
         "larger"),
        # 36 px a body shrunk to 5: below the 10 px at which letters are read.
        (lambda p: cv2.resize(p, None, fx=0.12, fy=0.12, interpolation=cv2.INTER_AREA), "unusable",
         "larger"),
        (lambda p: cv2.GaussianBlur(p, (0, 0), 4), "partly", "sharper"),
        (lambda p: (215 + 0.1 * p).clip(0, 255).astype(np.uint8), "unusable", "darker"),
        (lambda p: (0.06 * p).round().astype(np.uint8), "unusable", "darker"),
        (lambda p: overexposed(p, 4.0), "partly", "brightness"),
        (lambda p: p[:200, :200].tobytes(), "unusable", "file"),
        (lambda p: np.full_like(p, 220), "unusable", "darker"),
    ],
)  # fmt: skip
def test_a_poor_picture_says_why_and_what_to_do(
    page: np.ndarray, tmp_path: Path, change, verdict: str, advice: str
) -> None:
    big = cv2.resize(page, None, fx=1.25, fy=1.25, interpolation=cv2.INTER_CUBIC)
    found = look(tmp_path, change(big))
    assert (found.verdict, found.advice[:1]) == (verdict, (advice,))
    assert found.message.endswith(".")
    assert ADVICE[found.advice[0]].phone


def test_names_and_choices_outlive_the_program(tmp_path: Path) -> None:
    tiny.pages(tmp_path / "scans", 2)
    stack = Stack.open(tmp_path)
    keys = sorted(stack.pictures)
    assert keys == ["scans/p00-face.png", "scans/p01-face.png"]
    assert stack.pictures[keys[0]].place.scroll == "p00"
    stack.name_picture(keys[0], "Scroll of the third shelf", "reverse", True)
    stack.choose(Choices("mezuzah", "arizal", {"tag_form": "zayin"}))
    stack.keep_look(stack.pictures[keys[1]], FirstLook("partly", "Dim.", ("darker",)))
    again = Stack.open(tmp_path)
    named = again.pictures[keys[0]]
    assert (named.place.scroll, named.place.side) == ("Scroll of the third shelf", "reverse")
    assert named.left_out
    assert again.pictures[keys[1]].look == FirstLook("partly", "Dim.", ("darker",))
    assert again.choices == Choices("mezuzah", "arizal", {"tag_form": "zayin"})
    # A picture that was exchanged is looked at again, and keeps its name.
    (tmp_path / keys[1]).write_bytes((tmp_path / keys[0]).read_bytes())
    again.refresh()
    assert again.pictures[keys[1]].look is None


def test_a_wrong_name_and_a_damaged_file_are_one_sentence(tmp_path: Path) -> None:
    tiny.pages(tmp_path / "scans", 1)
    stack = Stack.open(tmp_path)
    for wrong in ("a/b", ".hidden", "x" * 121):
        with pytest.raises(ValueError, match="files are named after it"):
            stack.name_picture("scans/p00-face.png", wrong, "", False)
    stack.choose(Choices())
    (tmp_path / "desk" / "stack.json").write_text('{"schema": 9}')
    with pytest.raises(StackError, match="damaged"):
        Stack.open(tmp_path)


def test_new_files_never_take_the_name_of_another(tmp_path: Path) -> None:
    stack = Stack.open(tmp_path)
    (tmp_path / "scans" / "a.png").write_bytes(b"1")
    assert stack.new_path("a.png").name == "a-2.png"
    assert stack.new_path("../../etc/passwd").parent == tmp_path / "scans"
    assert stack.new_path("..\\x.png").name == "x.png"
    assert stack.new_path("..").name == "picture"
    assert len(stack.new_path("ש" * 300 + ".png").name.encode()) < 255


@pytest.mark.parametrize(
    ("name", "scroll", "side"),
    [
        ("a1-face", "a1", "face"), ("a1_back", "a1", "reverse"), ("a1 verso", "a1", "reverse"),
        ("מזוזה 3 פנים", "מזוזה 3", "face"), ("IMG_0012", "IMG_0012", None),
    ],
)  # fmt: skip
def test_places_are_proposed_by_names(name: str, scroll: str, side: str | None) -> None:
    place = propose_place(name, Path(f"{name}.png"))
    assert (place.scroll, place.side) == (scroll, side)


def test_every_sentence_means_a_text_a_set_or_a_setting_that_there_is() -> None:
    for text in TEXT_SENTENCES:
        check_choices(Choices(text.value))
    assert [each.value for each in CUSTOMS_SENTENCES] == list(SHIPPED_CUSTOMS)
    for each in SETTING_SENTENCES:
        for value in each.answers:
            check_choices(Choices(settings={each.key: value}))
        assert getattr(load_customs(), each.key) in each.answers
        assert each.key not in RECORDED_ONLY
    for wrong in (Choices("no such"), Choices(customs="x"), Choices(settings={"tag_form": "x"})):
        with pytest.raises(ValueError):
            check_choices(wrong)


def test_settings_of_ones_own_become_a_file_of_customs(tmp_path: Path) -> None:
    assert customs_argument(Choices(customs="arizal"), tmp_path) == "arizal"
    # A setting that the set has anyway changes nothing.
    same = Choices(customs="arizal", settings={"bedek_chaya": "expected"})
    assert customs_argument(same, tmp_path) == "arizal"
    path = customs_argument(Choices("auto", "arizal", {"tag_form": "zayin"}), tmp_path)
    made: Customs = load_customs(Path(path))
    assert (made.tag_form, made.chet_right_leg) == ("zayin", "vav")
    assert yaml.safe_load(Path(path).read_text())["name"] == "arizal_changed"
