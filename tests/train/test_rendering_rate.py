"""The rate of rendering counts what the pool holds."""

from crownlet.train.bench.rendering import measure_rate


def test_the_rate_counts_each_picture_of_each_page() -> None:
    rate = measure_rate(1, 2, first=5)
    assert rate.pictures == 2
    # Four tiles a picture, and a crop of most letters of a page of 60 to 110, frames apart.
    assert rate.tiles == 8
    assert 20 <= rate.crops <= 2 * 110
    assert rate.seconds > 0
    assert f"{rate.crops / rate.seconds:.0f} crops" in str(rate)
