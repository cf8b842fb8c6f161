"""The locator's dense targets against their definition."""

import torch

from crownlet.train.fit.tiles import locator_targets


def padded(*letters: tuple[float, ...]) -> torch.Tensor:
    rows = torch.full((1, 6, 11), -1.0)
    for k, letter in enumerate(letters):
        rows[0, k] = torch.tensor((*letter, letter[6], 0.0))
    return rows


def test_heat_is_one_only_at_the_cell_of_each_anchor() -> None:
    letters = padded((41, 22, 5, 9, 6, 12, 3, 0, 28), (90, 60, 5, 9, 6, 12, 7, 2, 28))
    targets = locator_targets(letters, torch.zeros(1, 2, 4), 128)
    ones = (targets.heat == 1).nonzero().tolist()
    assert ones == [[0, 22 // 4, 41 // 4], [0, 60 // 4, 90 // 4]]
    assert targets.letter.tolist() == [3, 7]
    assert targets.turn.tolist() == [0, 2]


def test_anchor_and_box_can_be_read_back_from_the_targets() -> None:
    letters = padded((41.3, 22.9, 5, 9, 6, 12, 3, 0, 35))
    targets = locator_targets(letters, torch.zeros(1, 2, 4), 128)
    _, row, column = targets.cells[0].tolist()
    dx, dy, left, top, right, bottom = (targets.shape[0] * 28).tolist()
    assert abs((column + 0.5) * 4 + dx - 41.3) < 1e-3
    assert abs((row + 0.5) * 4 + dy - 22.9) < 1e-3
    torch.testing.assert_close(
        torch.tensor([left, top, right, bottom]), torch.tensor([5.0, 9, 6, 12])
    )
    torch.testing.assert_close(targets.scale.exp() * 28, torch.tensor([35.0]))


def test_nothing_is_asked_where_the_frame_cuts_a_letter_unless_another_is_anchored_there() -> None:
    letters = padded((41, 22, 5, 9, 6, 12, 3, 0, 28))
    ignore = torch.tensor([[[32.0, 0, 64, 40], [100, 100, 120, 128]]])
    keep = locator_targets(letters, ignore, 128).keep[0]
    assert keep[22 // 4, 41 // 4] == 1
    assert keep[2, 14] == 0
    assert keep[27, 27] == 0
    assert keep[30, 2] == 1
