"""What to do about a picture that is not good enough, for a scanner and for a telephone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

AdviceKey = Literal[
    "larger", "sharper", "darker", "glare", "brightness", "straight", "other", "file"
]


@dataclass(frozen=True)
class Advice:
    """What to do about one fault of a picture."""

    title: str
    scanner: str
    phone: str


ADVICE: dict[AdviceKey, Advice] = {
    "larger": Advice(
        "The letters are too small in the picture",
        "Set the scanner to 600 dpi; for writing smaller than that of a 12 cm mezuzah to 1200 dpi. "
        "Do not let a program make the file smaller afterwards.",
        "Go nearer, so that a few lines fill the picture, and take several pictures rather than "
        "one. Do not zoom with two fingers: that adds no detail. Send the file itself; messages "
        "make pictures smaller.",
    ),
    "sharper": Advice(
        "The picture is not sharp",
        "Lay the parchment flat under the lid with a sheet of glass or a weight on paper over it, "
        "without pressing the ink; switch off smoothing, dust removal and other improvements.",
        "Rest the telephone on a stack of books over the parchment, tap on the writing to focus, "
        "and release by the timer or by a word. Wipe the lens.",
    ),
    "darker": Advice(
        "The ink stands out too little",
        "Scan in colour or grey, not in black and white, and leave brightness and contrast as they "
        "are; put white paper behind the parchment.",
        "Take it by a window in daylight, not in the shadow of the hand, and put white paper "
        "behind the parchment.",
    ),
    "glare": Advice(
        "Light shines back from the ink or the parchment",
        "Scan it once more turned by a quarter; if ink still shines, photograph it instead.",
        "Switch the flash off. Let light come from both sides, low over the parchment, and turn it "
        "until nothing shines.",
    ),
    "brightness": Advice(
        "The picture is too bright",
        "Leave brightness and contrast of the scanner as they are, and switch off what makes the "
        "background white.",
        "Tap on the parchment and draw the brightness down until the skin shows its tone; do not "
        "make the picture brighter afterwards.",
    ),
    "straight": Advice(
        "The picture was taken at a slant",
        "Lay the parchment flat; a part that rises from the glass is seen at a slant.",
        "Hold the telephone level over the middle of the parchment, straight above it; the grid of "
        "the camera helps.",
    ),
    "other": Advice(
        "No letters of the square script were found",
        "Check that the written side lies on the glass, and that the file is the scroll's.",
        "Check that the writing fills the picture and nothing else lies in it.",
    ),
    "file": Advice(
        "The file cannot be used",
        "Scan the page again and save it as PNG or TIFF.",
        "Copy the picture from the telephone once more, by cable; set its camera to save JPEG.",
    ),
}
"""Common practice of photographing documents; no printed source."""
