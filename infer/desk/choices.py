"""Text and customs as a person chooses them: sentences, and drawings of this program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS, load_customs
from crownlet.infer.desk.stack import Choices
from crownlet.infer.text.search import read_text_choice

CUSTOMS_FILE = "customs.yaml"

UNSET = ""
"""In place of a setting: as the set of customs has it."""


@dataclass(frozen=True)
class TextSentence:
    """One choice of the text."""

    value: str
    title: str
    sentence: str


TEXT_SENTENCES = (
    TextSentence(
        "auto", "Find it by the words",
        "Each page is looked up in the Pentateuch by its own words. For stacks of several kinds.",
    ),
    TextSentence(
        "mezuzah", "Mezuzot",
        "Faces are compared with the two portions, reverses with the Name and the fourteen "
        "letters.",
    ),
    TextSentence("kadesh", "Tefillin, first portion", "Kadesh li, Exodus 13:1-10."),
    TextSentence(
        "vehaya_ki_yeviacha", "Tefillin, second portion", "Vehaya ki yeviacha, Exodus 13:11-16."
    ),
    TextSentence("shema", "Tefillin, third portion", "Shema, Deuteronomy 6:4-9."),
    TextSentence(
        "vehaya_im_shamoa", "Tefillin, fourth portion", "Vehaya im shamoa, Deuteronomy 11:13-21."
    ),
    TextSentence(
        "tefillin", "Tefillin, all four on one parchment", "The four portions one after another."
    ),
    TextSentence(
        "none", "Compare with nothing",
        "Letters alone are looked at; absent, extra and exchanged letters cannot be noticed.",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class CustomsSentence:
    """One set of customs."""

    value: str
    title: str
    sentence: str
    style: str
    """Style of the drawings beside it, as `exemplars.json` names it; "" for none."""


CUSTOMS_SENTENCES = (
    CustomsSentence(
        "unspecified", "I do not say",
        "Where customs differ neither form is pointed at. A good beginning.", "",
    ),
    CustomsSentence(
        "beit_yosef", "Beit Yosef",
        "Chet has a hump and two zayins; one crown on bet, dalet, kuf, chet, yud and he, two on "
        "lamed; final kaf is round.", "beit_yosef",
    ),
    CustomsSentence(
        "arizal", "Arizal",
        "The yud of tsadi faces backwards, the right half of chet is a vav; one crown on bet, "
        "dalet, kuf, chet, yud and he, two on lamed.", "arizal",
    ),
    CustomsSentence(
        "vellish", "Vellish", "Chet has a flat roof; little else is settled by a printed source.",
        "vellish",
    ),
    CustomsSentence(
        "strict", "The stricter of two views",
        "Wherever two views are recorded and it can be looked for, the stricter is pointed at: "
        "bare crowns, letters without any crown, every short leg of he and kuf. That says nothing "
        "of which view is followed.", "",
    ),
)  # fmt: skip

STYLE_LETTERS = ("chet", "tsadi", "lamed", "shin")
"""Letters drawn beside a set of customs: in these the styles differ most plainly."""


@dataclass(frozen=True)
class SettingSentence:
    """One setting of the customs, as a question with its answers; `answers` by value."""

    key: str
    question: str
    answers: Mapping[str, str]


SETTING_SENTENCES = (
    SettingSentence(
        "tag_form", "Crowns that are plain lines without a small head",
        {"zayin": "Point at them", "line": "Leave them: this scribe writes lines",
         "unspecified": "Count them and point at none"},
    ),
    SettingSentence(
        "tags_absent", "Letters without any of their crowns",
        {"question": "List them as questions for an authority",
         "outset": "List them as matters of the outset", "information": "List them for information",
         "unspecified": "List them as the books weigh each letter"},
    ),
    SettingSentence(
        "bedek_chaya", "One crown on bet, dalet, kuf, chet, yud and he",
        {"expected": "They should have it", "not_expected": "They should have none",
         "unspecified": "Either is accepted"},
    ),
    SettingSentence(
        "lamed_tags", "Two crowns on the head of lamed",
        {"expected": "It should have them", "not_expected": "It should have none",
         "unspecified": "Either is accepted"},
    ),
    SettingSentence(
        "chet_top", "Roof of chet",
        {"hump": "Two zayins with a hump between them", "flat": "One flat roof",
         "unspecified": "Either is accepted"},
    ),
    SettingSentence(
        "final_kaf_top", "Upper right corner of final kaf",
        {"round": "Point at square ones", "square_accepted": "Square ones are accepted",
         "unspecified": "Count square ones and point at none"},
    ),
    SettingSentence(
        "yud_kotz", "Lower left point of yud, where it is missing",
        {"question": "List it as a question for an authority",
         "outset": "List it as a matter of the outset", "information": "List it for information",
         "unspecified": "List it as the books weigh it"},
    ),
    SettingSentence(
        "leg_minimum", "Short left legs of he and kuf",
        {"strict": "Point at every short one", "yud_size": "A leg as long as a yud is enough",
         "unspecified": "A leg as long as a yud is enough, nothing more is asked"},
    ),
    SettingSentence(
        "mezuzah_break", "Break between the portions of the mezuzah",
        {"tur": "A little left blank at the end of line 6 and the head of line 7",
         "nine_yuds": "About nine yuds before line 7", "open": "Open",
         "unspecified": "Any is accepted"},
    ),
    SettingSentence(
        "reverse_text", "Back of the mezuzah",
        {"both": "The Name of three letters and the fourteen letters",
         "name_only": "The Name alone",
         "unspecified": "Either is accepted"},
    ),
    SettingSentence(
        "large_letters", "Large ayin and dalet of Shema",
        {"expected": "They should be large", "not_expected": "They should be like the others",
         "unspecified": "Either is accepted"},
    ),
    SettingSentence(
        "mezuzah_lines", "Words with which the lines of a mezuzah begin",
        {"tur": "Those of the handed-down list", "free": "Any", "unspecified": "Not looked at"},
    ),
    SettingSentence(
        "verse_gap", "Gap between verses",
        {"wider": "Wider than between words", "same": "As between words",
         "unspecified": "Not looked at"},
    ),
)  # fmt: skip
"""Settings that something is pointed at by; the remaining ones stand in a file of one's own."""


def check_choices(choices: Choices) -> None:
    """ValueError, in one sentence, for a text, customs or a setting that there is not."""
    read_text_choice(choices.portion)
    if choices.customs not in SHIPPED_CUSTOMS:
        raise ValueError("There are no customs of this name.")
    known = {each.key: each.answers for each in SETTING_SENTENCES}
    for key, value in choices.settings.items():
        if value not in known.get(key, {}):
            raise ValueError("There is no such setting of customs.")


def customs_argument(choices: Choices, folder: Path) -> str:
    """The name of the customs, or the path of a file in `folder` with the settings set apart.

    OSError if the file cannot be written.
    """
    base = load_customs(choices.customs)
    changed = {k: v for k, v in choices.settings.items() if getattr(base, k) != v}
    if not changed:
        return choices.customs
    values = {
        key: value for key, value in vars(base).items() if key not in ("checksum", "name")
    } | changed
    path = folder / CUSTOMS_FILE
    text = yaml.safe_dump({"name": f"{choices.customs}_changed", **values}, sort_keys=False)
    write_file(path, f"# Chosen at the desk: {choices.customs}, and settings of one's own.\n{text}")
    return str(path)
