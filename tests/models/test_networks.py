"""Shapes, sizes and losses of the two networks."""

import pytest
import torch
import torch.nn.functional as F
from torchvision.ops import sigmoid_focal_loss

from crownlet.models.assessor import PART_CHANNELS, Assessor, AssessorExport, AssessorOutput
from crownlet.models.locator import Locator, LocatorOutput
from crownlet.models.losses import AssessorTargets, assessor_loss, centre_loss, letter_loss


@pytest.mark.parametrize("size", [(64, 96), (160, 32)])
def test_the_locator_speaks_for_every_fourth_pixel(size: tuple[int, int]) -> None:
    out = Locator()(torch.rand(2, 1, *size))
    cells = (size[0] // 4, size[1] // 4)
    channels = LocatorOutput(1, 27, 4, 6, 1)  # type: ignore[arg-type]
    for maps, count in zip(out, channels, strict=True):
        assert maps.shape == (2, count, *cells)


def test_the_assessor_answers_every_question_once() -> None:
    out = Assessor(defects=13)(torch.rand(3, 2, 128, 96))
    assert out.letter.shape == (3, 28)
    assert out.defects.shape == (3, 13)
    assert out.tags.shape == (3, 5)
    assert out.parts.shape == (3, len(PART_CHANNELS), 32, 24)


def test_the_exported_assessor_reads_bytes_and_gives_calibrated_probabilities() -> None:
    # Platt's curve and a temperature, applied by hand to the plain network's logits.
    network = Assessor(defects=4).eval()
    gain, offset = torch.tensor([1.0, 2.0, 0.5, 1.5]), torch.tensor([0.0, -1.0, 0.3, 2.0])
    wrapped = AssessorExport(network, gain, offset, torch.tensor([2.0, 0.5]))
    crops = torch.randint(0, 256, (5, 2, 128, 96), dtype=torch.uint8)
    with torch.no_grad():
        letter, defects, tags, parts, hidden = wrapped(crops)
        plain = network(crops.float() / 255)
    torch.testing.assert_close(letter, F.softmax(plain.letter / 2.0, dim=1))
    torch.testing.assert_close(defects, torch.sigmoid(gain * plain.defects + offset))
    torch.testing.assert_close(tags.sum(1), torch.ones(5))
    # The heads are linear in the hidden numbers.
    torch.testing.assert_close(F.linear(hidden, network.tags.weight, network.tags.bias), plain.tags)
    assert ((parts > 0) & (parts < 1)).all()


def test_centre_loss_agrees_with_the_reference_focal_loss_without_bells() -> None:
    # torchvision's focal loss (Lin et al. 2017) is the case of heat in {0, 1}, unweighted.
    logit = torch.randn(2, 8, 8)
    heat = (torch.rand(2, 8, 8) > 0.9).float()
    heat[0, 0, 0] = 1.0
    expected = sigmoid_focal_loss(logit, heat, alpha=-1, gamma=2, reduction="sum") / heat.sum()
    found = centre_loss(logit, heat, torch.ones_like(heat))
    torch.testing.assert_close(found, expected, rtol=1e-3, atol=1e-3)


def test_a_doubtful_class_is_stated_as_torch_tells_soft_labels() -> None:
    logits, share = torch.randn(4, 28), torch.tensor([0.0, 0.2, 0.5, 0.0])
    letter, other = torch.tensor([3, 4, 1, 27]), torch.tensor([3, 7, 10, 27])
    blank = torch.zeros(4, 1)
    targets = AssessorTargets(letter, other, share, blank, letter, blank)
    soft = torch.zeros(4, 28)
    soft[range(4), letter] = 1 - share
    soft[range(4), other] += share
    # Reference: torch's own cross entropy with probabilities as labels.
    expected = F.cross_entropy(logits, soft, label_smoothing=0.01)
    torch.testing.assert_close(letter_loss(logits, targets, 0.01), expected)


def test_a_defect_that_does_not_apply_is_asked_nothing() -> None:
    out = AssessorOutput(
        torch.zeros(2, 28), torch.zeros(2, 3, requires_grad=True), torch.zeros(2, 5),
        torch.zeros(2, 6, 32, 24), torch.zeros(2, 8),
    )  # fmt: skip
    nan = float("nan")
    targets = AssessorTargets(
        torch.tensor([3, 27]), torch.tensor([3, 27]), torch.zeros(2),
        torch.tensor([[1.0, nan, 0.0], [nan, nan, nan]]), torch.tensor([0, 0]),
        torch.zeros(2, 6, 32, 24),
    )  # fmt: skip
    assessor_loss(out, targets)["defects"].backward()
    assert out.defects.grad is not None
    assert (out.defects.grad != 0).tolist() == [[True, False, True], [False, False, False]]
