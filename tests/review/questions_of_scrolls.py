"""How many questions scrolls of ordinary writing raise, and which planted faults they reach.

Draws scrolls of hands that the networks have not seen, each face and reverse of a mezuzah with the
generator's usual faults and habits, inspects them, and counts: questions letter by letter, and as
they are asked, a hand's habit once and each wall once. A planted fault is reached where a question
is asked about it on its letter. Run by hand (about three minutes of two cores for twenty scrolls):

    python tests/review/questions_of_scrolls.py --scrolls 20 --out FOLDER
"""

from __future__ import annotations

import argparse
import pickle
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from PIL import Image

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, mezuzah
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.demo.scenario import (
    MIN_CERTAIN_PLAINNESS,
    SAME_LETTER_DISTANCE_BODIES,
    letter_anchor,
    scan_page,
)
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord
from crownlet.infer.review.habit_questions import raised_questions
from crownlet.infer.review.queue import MAX_QUESTION_LETTERS, Question, page_questions
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.web.session import build_walls
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.write import write_page

FIRST_HAND, FIRST_SEED = 500, 9000

SCAN = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)


@dataclass
class QuestionCount:
    """What a run of drawn scrolls asks."""

    letter_by_letter: int = 0
    """Questions if each letter of a habit were asked by itself."""
    habits: int = 0
    walls: int = 0
    single: int = 0
    """Letters on the walls."""
    planted: Counter[str] = field(default_factory=Counter)
    before: Counter[str] = field(default_factory=Counter)
    """Planted faults that a question on their letter reaches, without the letters of habits that
    have no finding of their own."""
    reached: Counter[str] = field(default_factory=Counter)

    @property
    def asked(self) -> int:
        """Pages to be answered, each whole with either answer."""
        return self.habits + self.walls


def draw_scrolls(out: Path, count: int) -> dict[str, PageTruth]:
    """Scans in `out/scans`, and what was written, without the pictures, by page."""
    (out / "scans").mkdir(parents=True, exist_ok=True)
    truths = {}
    for k in range(1, count + 1):
        face = mezuzah(48.0, split="heldout", hand=FIRST_HAND + k, augment=SCAN, dpi=600.0)
        reverse = replace(face, portion="mezuzah_reverse", margin=(6.0, 8.0), justify=0.0)
        for side, spec in (("face", face), ("reverse", reverse)):
            name = f"m{k:02d}-{side}"
            truth = compose(spec, FIRST_SEED + k)
            scan = Image.fromarray(scan_page(truth.image, FIRST_SEED + k))
            scan.save(out / "scans" / f"{name}.png", dpi=(600, 600), compress_level=1)
            truths[name] = replace(truth, image=np.zeros((0, 0, 3), np.uint8))
    return truths


def inspect_scrolls(out: Path, names: Iterable[str]) -> Run:
    """The run of the drawn scans, each compared with the text that it was written from."""
    inspector = Inspector()
    for name in names:
        portion = "mezuzah" if name.endswith("face") else "mezuzah_reverse"
        record = inspector.inspect(out / "scans" / f"{name}.png", portion, name)
        write_page(record, out / "run", collect_findings(record, inspector.customs))
    return open_run(out / "run")


def certain_faults(letter: LetterTruth) -> set[str]:
    """The faults of a written letter that are plain; none that the customs do not ask about."""
    faults = {d.name for d in letter.defects if d.plainness >= MIN_CERTAIN_PLAINNESS}
    # A letter drawn out to fill its line is no planted fault.
    faults -= {"overstretched"}
    if load_customs().tags_expected(letter.letter) is None:
        faults -= {"tag_missing"}
    return faults


def count_questions(run: Run, truths: Mapping[str, PageTruth]) -> QuestionCount:
    """What the run asks, and which planted faults it reaches; no clear letters are mixed in."""
    made = QuestionCount()
    with tempfile.TemporaryDirectory() as folder:
        store = ReviewStore.open(Path(folder) / "r.sqlite3", run, audit_share=0.0)
        made.habits = len(store.habit_groups("reader"))
        made.walls = len(build_walls(store.groups("reader")))
        made.single = len(store.items("reader"))
        store.close()
    for name, truth in truths.items():
        record, found = run.pages[name].brief()
        before = page_questions(record, found)
        now = raised_questions(record, found)
        made.letter_by_letter += sum(q.origin != "statement" for q in now)
        _count_planted(made, truth, record, _named(before), _named(now))
    return made


def _named(questions: Iterable[Question]) -> dict[int, set[str]]:
    named: dict[int, set[str]] = {}
    for question in questions:
        if len(question.glyphs) <= MAX_QUESTION_LETTERS:
            for glyph in question.glyphs:
                named.setdefault(glyph, set()).add(question.kind)
    return named


def _count_planted(
    made: QuestionCount, truth: PageTruth, record: PageRecord, before: Mapping[int, set[str]],
    now: Mapping[int, set[str]],
) -> None:  # fmt: skip
    anchors = np.array([letter_anchor(glyph.body) for glyph in record.glyphs])
    for letter in truth.letters:
        faults = certain_faults(letter)
        distances = np.hypot(*(anchors - letter_anchor(letter.body)).T)
        nearest = int(distances.argmin())
        made.planted.update(faults)
        if distances[nearest] < SAME_LETTER_DISTANCE_BODIES * letter.body[2]:
            made.before.update(faults & before.get(nearest + 1, set()))
            made.reached.update(faults & now.get(nearest + 1, set()))


def describe(made: QuestionCount) -> str:
    """The counts in a few lines."""
    total = sum(made.planted.values())
    return (
        f"letter by letter {made.letter_by_letter:,} questions; asked {made.asked}: {made.habits} "
        f"habits of hands once each, and {made.walls} walls with {made.single:,} letters\n"
        f"planted plain faults {total:,}; on their letter a question was asked of "
        f"{sum(made.before.values()):,} before, now of {sum(made.reached.values()):,}"
    )


def main() -> None:
    """Draw, inspect, count and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scrolls", type=int, default=20)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    kept = options.out / "truth.pickle"
    if kept.is_file():
        truths = pickle.loads(kept.read_bytes())
        run = open_run(options.out / "run")
    else:
        truths = draw_scrolls(options.out, options.scrolls)
        run = inspect_scrolls(options.out, truths)
        kept.write_bytes(pickle.dumps(truths))
    made = count_questions(run, truths)
    print(describe(made))
    for kind, count in made.planted.most_common():
        print(
            f"{kind:18} planted {count:4}  before {made.before[kind]:4}  now {made.reached[kind]:4}"
        )


if __name__ == "__main__":
    main()
