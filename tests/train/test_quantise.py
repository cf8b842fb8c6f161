"""Networks in integers: which layers stay in floats, and that letters are read as before."""

from __future__ import annotations

from pathlib import Path

import onnx
import pytest

from crownlet.infer.sessions import Sessions, weights_folder
from crownlet.train.quantise import in_floats, moved, quantise


@pytest.mark.parametrize(("name", "heads"), [("locator.onnx", 5), ("assessor.onnx", 1)])
def test_first_convolution_and_heads_stay_in_floats(name: str, heads: int) -> None:
    """The locator has five heads of one convolution, the assessor one of masks (models/)."""
    graph = onnx.load(weights_folder() / name).graph
    kept = in_floats(graph)
    assert len(set(kept)) == 1 + heads
    first = next(node for node in graph.node if node.name == kept[0])
    weights = {w.name: w.dims for w in graph.initializer}
    assert weights[first.input[1]][1] <= 2  # Its input is the picture.


def test_integers_take_a_quarter_of_the_room_and_read_the_same_letters(tmp_path: Path) -> None:
    """8 bits instead of 32 (Jacob et al. 2018); the same letters but for doubtful ones."""
    folder = quantise(weights_folder(), tmp_path / "in integers", pages=1)
    for name in ("locator.onnx", "assessor.onnx"):
        assert (folder / name).stat().st_size < 0.35 * (weights_folder() / name).stat().st_size
    assert Sessions(folder).info.letters == Sessions(weights_folder()).info.letters
    away = moved(weights_folder(), folder, pages=1)
    assert away["letters"] > 40
    assert away["other_letter"] <= 0.05
    assert 0 < away["defect_p_mean"] < 0.02
