"""Letters that the edge of a picture cuts, on a drawn page from which a strip was taken.

What is not seen whole is not judged: common practice, no source.
"""

from __future__ import annotations

import made
import numpy as np
import pytest

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer import Inspector
from crownlet.infer.records import PageRecord, TextMatch
from crownlet.infer.routing.marks import doubt_extras
from crownlet.infer.routing.not_examined import FRAME_EDGE_PX


@pytest.fixture(scope="module")
def record() -> PageRecord:
    page = compose(clean(portion="shema", split="heldout"), 3)
    boxes = np.array([letter.box for letter in page.letters])
    # Through the middle of the letter that reaches farthest to the left.
    first = boxes[boxes[:, 0].argmin()]
    cut = int((first[0] + first[2]) / 2)
    return Inspector(measure="none").inspect(page.image[:, cut:], "shema")


def test_a_cut_letter_is_not_examined_for_faults_and_the_others_are(record: PageRecord) -> None:
    edge = [glyph for glyph in record.glyphs if glyph.box[0] < FRAME_EDGE_PX]
    assert edge
    for glyph in edge:
        asked = {name for name, p in glyph.p.items() if p is not None and name != "shape_doubt"}
        assert asked and asked <= set(glyph.not_examined)
        assert not asked & {*glyph.sure, *glyph.habits}
    inner = [glyph for glyph in record.glyphs if glyph.box[0] > 10 * FRAME_EDGE_PX]
    assert all(not glyph.not_examined for glyph in inner)
    plural = "" if len(edge) == 1 else "s"
    assert f"{len(edge)} letter{plural} cut by the frame of the picture" in record.not_examined


@pytest.mark.parametrize(("left", "route"), [(1.0, "review"), (50.0, "finding")])
def test_another_letter_than_the_texts_at_the_edge_is_a_doubt(left: float, route: str) -> None:
    row = made.flagged(
        1, "ד", "letter_swapped", p={}, expected="ה", box=(left, 100.0, left + 25.0, 130.0)
    )
    page = made.record([row], match=TextMatch("text", 1, 1, 1, 0))
    (glyph,) = doubt_extras(page, np.array([1.0])).glyphs
    assert (glyph.route, glyph.reasons) == (route, ("letter_swapped",))
