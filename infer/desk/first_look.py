"""The first look at a picture: whether it is good enough, before anything is inspected.

It reads the file, finds the letters and measures the picture around them, by the same rules as an
inspection, in about a second; no defect is assessed. From the letters it proposes the side of a
mezuzah and the text.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.images import PageError, read_page, to_gray
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.pentateuch.search import find_passage
from crownlet.infer.desk.guidance import AdviceKey
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.letters.refusal import OVEREXPOSED_TEXT, slant_sentences, why_not_square
from crownlet.infer.letters.scale import MIN_MEASURED_BODY_PX, locate_page
from crownlet.infer.letters.straighten import flatten_upright
from crownlet.infer.quality.legibility import find_illegible
from crownlet.infer.quality.measures import PictureMeasures, measure_picture
from crownlet.infer.run.typed import build_record
from crownlet.infer.text.side import Side, side_by_letters
from crownlet.infer.thresholds import GROUP_WORDS, PictureNeed, Thresholds

if TYPE_CHECKING:
    from crownlet.datasets.files.images import Pixels
    from crownlet.infer.networks import Networks

Verdict = Literal["good", "partly", "read_only", "unusable"]
"""Good enough for everything; for some questions; for reading alone; for nothing."""

SMALL_SIDE_PX = 360
"""Longer side of the small picture in the list."""

MIN_LETTERS_SEEN = 3


@dataclass(frozen=True)
class FirstLook:
    """What a first look found."""

    verdict: Verdict
    message: str
    """One sentence."""
    advice: tuple[AdviceKey, ...] = ()
    letters: int = 0
    side: Side | None = None
    """The side of a mezuzah that the letters show; None where they show neither."""
    text: str = ""
    """The passage that the letters show; "" where none was found."""
    width: int = 0
    height: int = 0

    def as_json(self) -> dict[str, Any]:
        """The fields as JSON writes them."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> FirstLook:
        """Back from `as_json`; TypeError or ValueError for anything else."""
        return build_record(cls, data)


def look_at(path: Path, small: Path, networks: Networks, thresholds: Thresholds) -> FirstLook:
    """Look at one picture, and write it small to `small` as JPEG; never raises for the picture."""
    try:
        image = read_page(path)
    except PageError as error:
        return FirstLook("unusable", _sentence(error.reason), ("file",))
    height, width = image.pixels.shape[:2]
    write_small(image.pixels, small)
    gray = to_gray(image.pixels)
    del image
    try:
        page = flatten_upright(str(path), gray, networks, thresholds.centre_p)
        found = locate_page(networks, page.flat, page.body_px, thresholds.centre_p)
        if len(found) < MIN_LETTERS_SEEN:
            raise PageError(path, why_not_square(page.gray, page.flat))
    except PageError as error:
        return FirstLook(
            "unusable", _sentence(error.reason), _advice_on_refusal(error.reason),
            width=width, height=height,
        )  # fmt: skip
    measures = measure_picture(page.gray, page.flat, found, page.placement.turn)
    order = lay_out(found).order
    letters = "".join(LETTERS[k] for k in found.letters[order].argmax(axis=1))
    passage = find_passage(letters)
    verdict, message, advice = _judge(measures, thresholds)
    if float(np.median(found.height)) < MIN_MEASURED_BODY_PX:
        verdict, advice = "read_only", ("larger",)
        message = "The letters are so small that the page can be read and nothing on it judged."
    slant = page.placement.slant_degrees
    doubts: list[tuple[str, AdviceKey]] = [(text, "straight") for text in slant_sentences(slant)]
    if measures.edges_burnt_out:
        doubts.append((OVEREXPOSED_TEXT, "brightness"))
    for text, remedy in doubts:
        verdict = "read_only" if verdict == "read_only" else "partly"
        message = f"{message} Not judged, too: {text.partition(':')[0]}."
        advice = (*advice, remedy)
    return FirstLook(
        verdict, message, advice, len(found), side_by_letters(letters),
        passage.portion.name if passage else "", width, height,
    )  # fmt: skip


def write_small(pixels: Pixels, target: Path) -> None:
    """Write a picture with a longer side of `SMALL_SIDE_PX`, as JPEG."""
    scale = min(1.0, SMALL_SIDE_PX / max(pixels.shape[:2]))
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    bgr = cv2.cvtColor(small, cv2.COLOR_RGB2BGR) if small.ndim == 3 else small
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 80])
    if done:
        write_file(target, data.tobytes())


def _sentence(reason: str) -> str:
    return reason[:1].upper() + reason[1:]


def _advice_on_refusal(reason: str) -> tuple[AdviceKey, ...]:
    """What to do, by the reason for which the pipeline refuses a page."""
    if "too small" in reason or "at least" in reason:
        return ("larger",)
    if "out of focus" in reason:
        return ("sharper",)
    return ("darker",) if any(word in reason for word in ("faint", "blank", "dark")) else ("other",)


def _judge(
    measures: PictureMeasures, thresholds: Thresholds
) -> tuple[Verdict, str, tuple[AdviceKey, ...]]:
    """Verdict, sentence and advice by the needs of each group of defects."""
    needs = thresholds.picture.needs
    illegible = find_illegible(measures, needs).unresolved
    if not illegible:
        return "good", "Good enough for every question.", ()
    words = [GROUP_WORDS[group] for group in illegible]
    named = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    causes = [_causes(measures, needs.groups[group]) for group in illegible]
    advice = tuple(dict.fromkeys(cause for group in causes for cause in group))
    return "partly", f"Not good enough for {named}; these will stand as not examined.", advice


def _causes(measures: PictureMeasures, need: PictureNeed) -> tuple[AdviceKey, ...]:
    """Which measures of the usual letter fall short of a need."""
    short: list[tuple[AdviceKey, bool]] = [
        ("larger", float(np.median(measures.q_px)) < need.q_px),
        ("sharper", float(np.median(measures.edge_q)) > need.edge_q),
        ("darker", float(np.median(measures.contrast)) < need.contrast),
        ("glare", float(np.median(measures.glare)) > need.glare),
    ]
    return tuple(key for key, fails in short if fails)
