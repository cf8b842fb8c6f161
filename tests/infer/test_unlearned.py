"""Networks that have not learned a defect, or come without thresholds, say so.

No outside source: that nothing may pass for examined which was not is the project's own rule.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer import Inspector
from crownlet.infer.networks import ModelError, OnnxNetworks, weights_folder
from crownlet.infer.thresholds import load_thresholds


def test_a_defect_that_was_not_learned_is_listed_as_not_examined(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    networks = OnnxNetworks()
    names = tuple("letters_touch" if n == "tag_bare" else n for n in networks.info.defects)
    # As networks of an earlier catalogue are: the column of `tag_bare` is of something else.
    monkeypatch.setattr(networks, "_info", replace(networks.info, defects=names))
    inspector = Inspector(networks=networks, measure="none", hand=False)
    record = inspector.inspect(compose(clean(letters=(12, 16), body=(40.0, 40.0)), 3).image)
    assert "crown bare: these networks have not learned to see it" in record.not_examined
    assert "tag_bare" in LEARNED_DEFECTS
    for glyph in record.glyphs:
        applies = CATALOGUE["tag_bare"].applies_to(glyph.expected or glyph.letter)
        assert ("tag_bare" in glyph.not_examined) is applies
        assert glyph.p["tag_bare"] is None
    whole = Inspector(measure="none", hand=False)
    page = whole.inspect(compose(clean(letters=(12, 16), body=(40.0, 40.0)), 3).image)
    assert not any("have not learned" in line for line in page.not_examined)


def test_networks_without_thresholds_are_refused(tmp_path: Path) -> None:
    for name in ("assessor.onnx", "locator.onnx", "checksums.sha256", "routing.yaml"):
        shutil.copy(weights_folder() / name, tmp_path)
    with pytest.raises(ModelError, match=r"thresholds\.yaml: is missing, and no other thresholds"):
        load_thresholds(tmp_path)
    with pytest.raises(ModelError, match=r"thresholds\.yaml: is missing"):
        Inspector(tmp_path)
