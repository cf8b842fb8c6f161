"""Letters that the edge of a picture cuts, on a drawn page from which a strip was taken.

What is not seen whole is not judged: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer import Inspector
from crownlet.infer.records import PageRecord
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
        asked = {
            name for name, p in glyph.p.items()
            if p is not None and not name.startswith("tag_") and name != "shape_doubt"
        }  # fmt: skip
        assert asked and asked <= set(glyph.not_examined)
        assert not asked & {*glyph.reasons, *glyph.habits}
        assert glyph.route != "finding"
    inner = [glyph for glyph in record.glyphs if glyph.box[0] > 10 * FRAME_EDGE_PX]
    assert all(not glyph.not_examined for glyph in inner)
    plural = "" if len(edge) == 1 else "s"
    assert f"{len(edge)} letter{plural} cut by the frame of the picture" in record.not_examined
