"""The count of `questions_of_scrolls` on one drawn scroll: fewer questions, and no fault lost.

What was planted is the generator's own record; the measure on twenty scrolls stands in
`infer/README.md`.
"""

from __future__ import annotations

from pathlib import Path

from questions_of_scrolls import count_questions, describe, draw_scrolls, inspect_scrolls


def test_a_drawn_scroll_is_asked_in_few_pages_and_no_planted_fault_is_lost(tmp_path: Path) -> None:
    truths = draw_scrolls(tmp_path, 2)
    # The second hand leaves its crowns away (a habit of the generator).
    own = {name: truth for name, truth in truths.items() if name.startswith("m02")}
    made = count_questions(inspect_scrolls(tmp_path, own), own)
    print(describe(made))
    assert made.habits > 0
    assert made.asked < made.letter_by_letter / 3
    assert made.reached >= made.before
    assert sum(made.planted.values()) > 0
