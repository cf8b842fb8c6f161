"""No number that decides about a letter, a gap or a page stands in the code of the stages.

This is the project's own rule (infer/thresholds.py, infer/limits.py); no outside source.
"""

from __future__ import annotations

import ast
import hashlib
from pathlib import Path
from typing import Any

import blocks
import pytest
import yaml

from crownlet.infer.limits import LIMITS_FILE, LimitsSection, limits_of

ROOMS = ("findings", "habits", "hand", "layout", "measure", "quality", "routing", "text")
INFER = LIMITS_FILE.parent
# Files of the rooms of pictures and letters, which do not keep all their numbers in `limits.yaml`.
FILES = (
    "image/crops.py", "image/perspective.py", "image/upright.py", "letters/assessor.py",
    "letters/refusal.py", "letters/slant.py", "letters/straighten.py",
)  # fmt: skip
MODULES = sorted(path for room in ROOMS for path in (INFER / room).glob("*.py"))
MODULES += [INFER / file for file in FILES]
READERS = {name for name in vars(LimitsSection) if not name.startswith("_")}
# Module constants that hold numbers and decide nothing, and why.
ALLOWED = {
    "hand.kernel": {"MAX_ROWS_INVERTED_AT_ONCE": "size of a block of arithmetic"},
    "layout.gaps": {"MAX_CANVAS_PX": "memory of a computation, without effect on its result"},
    "text.discrepancies": {"MAX_WORDS_IN_MESSAGE": "length of a message"},
    "text.search": {"MAX_ALTERNATIVES_IN_NOTE": "length of a message"},
    "text.sequence": {"LETTERS_BEFORE": "length of the sequences that the language is counted in"},
    "text.line_starts": {
        "ARM_LINES": "lines of the arm's strip by the Tur",
        "_TEFILLIN_LINES": "lines of a portion by the Tur",
    },
    "findings.layout": {
        "MAX_LINES_NAMED": "length of a message",
        "_EDGE_PARTS": "slices: all lines, all but the first, all but the last",
    },
    "findings.customs": {"LISTED_TAGS": "a list of the Mishneh Torah"},
    "routing.measured": {"UNKNOWN_TAGS": "stands for a number that is not known"},
    "routing.reasons": {"_RANK": "order of the routes"},
    "habits.judge": {
        "MAD_TO_STANDARD_DEVIATION": "a constant of statistics",
        "MIN_P": "keeps logits finite",
        "ROUNDING": "error of arithmetic",
        "HALF": "more often than not",
    },
    "habits.statements": {
        "MIN_SHARE_CALLED_OFTEN": "a word of a message",
    },
    "hand.adapt": {"UNLABELLED": "class of a letter without a label"},
    "hand.contradictions": {"EVEN": "as likely as not"},
    "hand.forms": {
        "MIN_STEP_SCALE": "end of an iteration",
        "MIN_LOSS_DECREASE_NATS": "end of an iteration",
        "MAX_EXPONENT": "keeps exponentials finite",
    },
    "measure.ink": {
        "CROP_PX_PER_CELL": "geometry of the assessor's masks",
        "_GREYS": "all greys of a byte",
    },
    "measure.lengths": {"HEADS_OF_LETTER": "heads that a letter has"},
    "quality.blur": {"TENTHS_PER_QUARTERS": "quantiles of the normal distribution"},
    "image.crops": {
        "CROP_HEIGHT_PX": "form of the network",
        "CROP_WIDTH_PX": "form of the network",
        "CROP_BODY_PX": "form of the picture on which the networks are trained",
        "RULED_LINE_ROW": "form of the picture on which the networks are trained",
        "MAX_FITTED_SCALE": "form of the picture on which the networks are trained",
        "SIDE_MARGIN_PX": "form of the picture on which the networks are trained",
        "LETTERS_PER_CUT": "memory of a computation, without effect on its result",
    },
    "image.upright": {
        "SKIN_GREY": "form of the picture on which the networks are trained",
        "INK_GREY": "form of the picture on which the networks are trained",
        "MIN_GROUND_GREY": "form of the picture on which the networks are trained",
        "_UNDO_TURN": "degrees of the turns of OpenCV",
    },
    "letters.straighten": {"MAX_SIDE_PX": "OpenCV warps no longer side"},
    "letters.assessor": {
        "CROPS_PER_BATCH": "speed, without effect on the result",
        "PARTS": "form of the network",
        "MASK_ROWS": "form of the network",
        "MASK_COLUMNS": "form of the network",
    },
    "letters.slant": {"MASK_SIDE_PX": "memory of a computation"},
    "layout.lines": {
        "LETTERS_PER_BLOCK": "memory of a computation, without effect on its result",
        "MAX_STRETCH_SLOPE": "bound of a fit to a few letters",
    },
}
# Comparisons with other numbers than these that decide nothing, and why.
PLAIN_NUMBERS = {-1, 0, 1, 2}
ALLOWED_COMPARISONS = {
    "image.crops": {"np.round(angle / 90) % 2 == 1": "quarter turns"},
    "layout.lines": {
        "np.median(np.abs(found.rotation[letters] - 180)) < MAX_UPSIDE_DOWN_OFFSET_DEGREES": (
            "180 degrees are upside down"
        ),
    },
    "image.upright": {
        "dark < SKIN_GREY - 24": "form of the picture on which the networks are trained",
        "turn == 90": "quarter turns",
        "turn == 180": "quarter turns",
        "turn == 270": "quarter turns",
        "share < 0.5": "interpolation as numpy's, to the last bit",
    },
    "findings.messages": {"count >= 4": "the assessor counts tags up to 4 or more"},
    "quality.measures": {"rows.shape[1] < 3": "a second difference needs three pixels"},
    "layout.gaps": {"far < 0.5": "interpolation as numpy's, to the last bit"},
    "routing.gaps": {
        "abs(fresh - letter) + abs(wide - word) < 0.0001": "end of an iteration",
    },
}


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(INFER).with_suffix("").parts)


def numbers(node: ast.AST) -> list[float]:
    return [
        part.value
        for part in ast.walk(node)
        if isinstance(part, ast.Constant)
        and isinstance(part.value, int | float)
        and not isinstance(part.value, bool)
    ]


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_constant_holds_a_limit(path: Path) -> None:
    found = set()
    for node in tree_of(path).body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value and numbers(node.value):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            found |= {part.id for part in ast.walk(target) if isinstance(part, ast.Name)}
    assert found == set(ALLOWED.get(name_of(path), {}))


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_comparison_holds_a_limit(path: Path) -> None:
    found = {
        ast.unparse(node)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Compare)
        and any(
            not set(numbers(side)) <= PLAIN_NUMBERS
            for side in (node.left, *node.comparators)
            if not isinstance(side, ast.Subscript)
        )
    }
    assert found == set(ALLOWED_COMPARISONS.get(name_of(path), {}))


def test_every_limit_is_read_by_its_module_and_no_other() -> None:
    sections: dict[str, dict[str, Any]] = yaml.safe_load(LIMITS_FILE.read_bytes())
    read: dict[str, set[str]] = {}
    # `letters/scale.py` searches for the size as well, by numbers of its own that decide no route.
    for path in [*MODULES, INFER / "letters" / "scale.py"]:
        for node in ast.walk(tree_of(path)):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Name) and node.func.id == "limits_of":
                assert ast.literal_eval(node.args[0]) == name_of(path)
                read.setdefault(name_of(path), set())
            elif isinstance(node.func, ast.Attribute) and node.func.attr in READERS:
                read.setdefault(name_of(path), set()).add(ast.literal_eval(node.args[0]))
    assert read == {name: set(values) for name, values in sections.items()}


def test_a_record_names_the_limits_by_their_checksum() -> None:
    versions = blocks.inspector(blocks.BlockNetworks()).versions()
    expected = hashlib.sha256(LIMITS_FILE.read_bytes()).hexdigest()
    assert versions["thresholds"]["limits_sha256"] == expected


def test_a_value_of_another_kind_is_an_error() -> None:
    section = LimitsSection("text.match", {"share": "much", "count": 1.5, "flag": True})
    for read in (section.number, section.whole):
        with pytest.raises(TypeError, match=r"text\.match: flag is no"):
            read("flag")
    with pytest.raises(TypeError, match="share is no number"):
        section.number("share")
    with pytest.raises(TypeError, match="count is no whole number"):
        section.whole("count")
    with pytest.raises(KeyError):
        section.number("absent")
    with pytest.raises(KeyError):
        limits_of("text.nothing")
