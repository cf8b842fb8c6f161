"""Words and signs of the decisions, for the review page and the sheets."""

from __future__ import annotations

from typing import NamedTuple

from crownlet.infer.view.language import translate
from crownlet.infer.view.wording import defect_words, latin_name


class ChoiceButton(NamedTuple):
    """One choice as a button of the page."""

    name: str
    """One of `models.CHOICES`."""
    key: str
    mark: str
    """A sign that shows the choice without colour."""
    words: str
    """The choice as an answer to the question."""
    short: str
    """The choice as a decision that was made."""
    brief: str = ""
    """The choice as an answer where there is little room; "" if `short` serves."""


CHOICE_BUTTONS = (
    ChoiceButton("present", "1", "●", "yes: present", "present", "yes"),
    ChoiceButton("not_present", "2", "○", "no: not present", "not present", "no"),
    ChoiceButton("cannot_tell", "3", "◐", "cannot tell from the picture", "cannot tell"),
    ChoiceButton("authority", "4", "?", "question for an authority", "question"),
    ChoiceButton("other_letter", "5", "≠", "wrong letter: which?", "wrong letter"),
)

BUTTON_BY_CHOICE = {button.name: button for button in CHOICE_BUTTONS}


def decision_words(choice: str, right_letter: str | None = None) -> str:
    """A decision in words, such as "wrong letter: resh"."""
    button = BUTTON_BY_CHOICE.get(choice)
    short = translate(button.short) if button else defect_words(choice)
    return f"{short}: {latin_name(right_letter)}" if right_letter else short


def choice_sign(choice: str) -> str:
    """The sign that shows a decision without colour; "" for an unknown choice."""
    return BUTTON_BY_CHOICE[choice].mark if choice in BUTTON_BY_CHOICE else ""
