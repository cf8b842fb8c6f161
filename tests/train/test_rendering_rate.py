"""The rates of rendering and painting count what the pool holds and what the device does."""

import pytest

from crownlet.train.bench import painting
from crownlet.train.bench.rendering import measure_processes, measure_rate, render_pool
from crownlet.train.fit.pool import Paint


@pytest.mark.parametrize("paint", ["processor", "device"])
def test_the_rate_counts_each_picture_of_each_page(paint: Paint) -> None:
    rate = measure_rate(1, 2, first=5, paint=paint)
    assert rate.pictures == 2
    # Four tiles a picture, and a crop of most letters of a page of 60 to 110, frames apart.
    assert rate.tiles == 8
    assert 20 <= rate.crops <= 2 * 110
    assert rate.seconds > 0
    assert f"{rate.crops / rate.seconds:.0f} crops" in str(rate)


def test_processes_at_once_render_pages_of_their_own() -> None:
    rate = measure_processes(2, 1, 1, "device")
    assert rate.pictures == 2
    assert rate.tiles == 8


def test_the_device_is_timed_at_all_that_it_does_with_examples(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(painting, "PAGES", 1)
    monkeypatch.setattr(painting, "WARM_STEPS", 0)
    monkeypatch.setattr(painting, "CPU_BATCH", {"assessor": 4, "locator": 1})
    lines = list(painting.measure_device("cpu", 0.0, render_pool))
    assert len(lines) == 10
    assert all(" a second " in line for line in lines)
    assert lines[-1].startswith("locator, 1 at once on cpu")
    assert lines[-1].endswith("painted and learned from")
