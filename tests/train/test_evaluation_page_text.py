"""The text of a rendered page, read back from its truth."""

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.texts import load_portion
from crownlet.train.evaluation.workers import text_of


def test_a_page_with_faults_of_text_still_tells_its_own_text() -> None:
    # Outside: the 713 letters of the mezuzah as `texts.json` holds them from its named source.
    page = compose(clean(portion="mezuzah", text_rate=0.05, body=(20.0, 20.0)), 3)
    assert page.missing
    assert any(letter.expected != letter.letter for letter in page.letters)
    assert text_of(page).letters == load_portion("mezuzah").letters
    assert len(text_of(page).words) == len(load_portion("mezuzah").words)
