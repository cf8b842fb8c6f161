"""Memory of the examples: taken as they come, and what the settings for a small card come to.

The sizes are counted from stored examples; 4 GB of 12 for them is the project's own decision.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import torch
from hydra import compose as compose_config
from hydra import initialize_config_module

from crownlet.train.fit.reservoir import Reservoir, read_crops, read_tiles

MOST_EXAMPLE_BYTES_OF_12_GB = 4e9


def reservoir_of(name: str, folder: Path, capacity: int) -> Reservoir:
    reader = read_crops if name == "assessor" else read_tiles
    reservoir = Reservoir(folder, reader, capacity, torch.device("cpu"))
    reservoir.top_up()
    return reservoir


@pytest.mark.parametrize(("name", "row_bytes"), [("assessor", 17e3), ("locator", 241e3)])
def test_a_small_pool_takes_little_whatever_may_come(
    name: str, row_bytes: float, small_pool: Path
) -> None:
    reservoir = reservoir_of(name, small_pool / "train", 10**7)
    a_row = reservoir.memory_bytes / len(next(iter(reservoir._rows.values())))
    assert a_row == pytest.approx(row_bytes, rel=0.05)
    assert reservoir.memory_bytes <= 2 * reservoir.size * a_row
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        trainer = compose_config("train", ["+experiment=gpu_12gb", f"model={name}"]).trainer
    assert 0 < trainer.capacity * a_row < MOST_EXAMPLE_BYTES_OF_12_GB
    assert trainer.accelerator == "gpu"


def test_rows_stay_as_they_are_while_room_is_made_and_the_oldest_go_at_last(
    tmp_path: Path,
) -> None:
    def read(path: Path) -> dict[str, torch.Tensor]:
        return {"value": torch.arange(3) + 3 * int(path.stem)}

    reservoir = Reservoir(tmp_path, read, 8, torch.device("cpu"))
    for number, expected in (
        (0, [0, 1, 2]),
        (1, [0, 1, 2, 3, 4, 5]),
        (2, [8, 1, 2, 3, 4, 5, 6, 7]),
    ):
        (tmp_path / f"{number}.npz").touch()
        reservoir.top_up()
        assert reservoir.all_rows()["value"].tolist() == expected
