"""Files of runs by older versions, brought to the names of today as they are read.

Up to schema 2 of page.json, and 1 of scrolls.json, a sentence is called `says`, and so is what a
measure claims; up to schemas 3 and 2 defects have the names of `FORMER_NAMES`. The text is changed
before it is parsed, so that whoever reads a file knows today's names alone; a file of today is
looked through once and stays as it is.
"""

from __future__ import annotations

import re

from crownlet.datasets.scribal.catalogue import FORMER_NAMES

_LIST_OF_SENTENCES = re.compile(r'"says"(\s*:\s*\[)')
_SENTENCE = re.compile(r'"says"(\s*:)')


def upgrade_record(text: str) -> str:
    """The JSON text of a record in today's names. In a string a quote is escaped, so that none but
    keys are met."""
    for former, today in FORMER_NAMES.items():
        text = text.replace(f'"{former}"', f'"{today}"')
    if '"says"' not in text:
        return text
    return _SENTENCE.sub(r'"message"\1', _LIST_OF_SENTENCES.sub(r'"messages"\1', text))


def upgrade_table(text: str) -> str:
    """The CSV text of a table, with its header, in today's names."""
    # Codes stand in names of columns, in lists of reasons and alone.
    for former, today in FORMER_NAMES.items():
        text = text.replace(former, today)
    header, end, rows = text.partition("\n")
    names = header.rstrip("\r").split(",")
    if "says" not in names:
        return text
    today = "claim" if "measure" in names else "message"
    return header.replace("says", today) + end + rows
