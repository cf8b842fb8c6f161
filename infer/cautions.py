"""What a page's record must say it did not examine, in plain words."""

from __future__ import annotations

from crownlet.infer.quality.judging import Judged
from crownlet.infer.records import ImageFacts, Located
from crownlet.infer.thresholds import Thresholds

ALWAYS = (
    "kind of ink, kind and tanning of the parchment",
    "order of writing, and whether anything was added or mended after a later letter",
    "the scribe, his hand and his intention, above all in the Divine Names",
    "holes, cracks and ink lost in depth, which show only on the object against the light",
    "ruled lines scored without ink",
    "whether a mark in the picture is shadow, dust, glare or a fold: look at the parchment",
)
DOUBTED = (
    "whether this is square script at all: the two networks agree on {:.0%} of the letters, and "
    "nothing said of this page can be relied on"
)
STRANGE = (
    "whether the networks know this script or hand: {:.0%} of the letters are unlike those they "
    "know, so every letter is to be looked at"
)
UNFAMILIAR = (
    "The shape is unlike the letters that the networks know: perhaps no letter, another script, a "
    "hand of an unknown kind, or ink that is not the letter's. Nothing said of it can be relied on."
)
"""What the reason `unfamiliar` means; it is no defect of the catalogue."""
WITHOUT_TEXT = (
    "letters absent, extra or exchanged, and the division of words: no portion was named or found"
)
RULING = (
    "A finding is a place to look at, never a ruling; no finding is no approval. The examiner "
    "looks, and questions go to a recognised authority."
)
NAME_CAUTION = (
    "The picture and its crops may hold the Divine Name: printed on paper they are treated with "
    "the respect due to it (genizah)."
)


def not_examined(
    judged: Judged,
    thresholds: Thresholds,
    matched: bool,
    cut: int,
    customs_silent: tuple[str, ...],
    agreement: float,
) -> tuple[str, ...]:
    """Sentences for `page.json`, those of this picture first."""
    here = list(judged.sentences)
    if agreement < thresholds.doubted_agreement:
        here.insert(0, DOUBTED.format(agreement))
    elif judged.strange_page:
        here.insert(0, STRANGE.format(judged.unfamiliar_share))
    if cut:
        here.append(f"{cut} letter{'s' if cut > 1 else ''} cut by the frame of the picture")
    if not matched:
        here.append(WITHOUT_TEXT)
    if customs_silent:
        here.append("crowns on which these customs expect nothing: " + " ".join(customs_silent))
    return (*here, *ALWAYS)


def cut_by_frame(found: Located, facts: ImageFacts) -> int:
    """How many letters touch the edge of the picture."""
    edge = 1.0
    low = (found.box[:, :2] < edge).any(axis=1)
    right = found.box[:, 2] > facts.width - edge
    below = found.box[:, 3] > facts.height - edge
    return int((low | right | below).sum())
