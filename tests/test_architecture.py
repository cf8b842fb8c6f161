"""The direction of imports: every room imports only rooms below it, and no files form a circle.

The table is this project's own decision (DEVELOPERS.md, "The rooms"); no outside source. Imports
inside functions count, those under TYPE_CHECKING do not: they cost nothing at run time and name
types only.
"""

from __future__ import annotations

import ast
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# From the ground up. A line is a floor: its rooms import floors below it and, where it is a single
# room, itself. A room is a folder or a file, named without its ending; the longest name counts.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("configs",),
    ("datasets",),
    ("datasets/files",),
    ("datasets/scribal",),
    ("datasets/coco",),
    ("datasets/render", "datasets/scans"),
    ("models",),
    ("infer",),
    ("infer/threads",),
    ("infer/hand_records",),
    ("infer/records",),
    ("infer/view",),
    ("infer/networks", "infer/promises"),
    ("infer/limits", "infer/thresholds"),
    ("infer/image",),
    ("infer/layout",),
    ("infer/letters",),
    ("infer/text", "infer/quality", "infer/measure"),
    ("infer/routing",),
    ("infer/hand",),
    ("infer/stages",),
    ("infer/pipeline",),
    ("infer/findings",),
    ("infer/habits",),
    ("infer/inspector",),
    ("infer/run",),
    ("infer/scrolls", "infer/drift"),
    ("infer/review",),
    ("infer/sheet", "infer/batch"),
    ("infer/survey",),
    ("infer/demo", "infer/desk"),
    ("infer/commands",),
    ("infer/cli",),
    ("train",),
)
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}
TOPS = ("configs", "datasets", "models", "infer", "train")


def python_files() -> list[str]:
    """Paths of all modules of the package, from the root of the repository."""
    return sorted(
        path.relative_to(ROOT).as_posix() for top in TOPS for path in (ROOT / top).rglob("*.py")
    )


def module_name(path: str) -> str:
    return "crownlet." + path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


MODULES = {module_name(path): path for path in python_files()}


def room_of(path: str) -> str:
    """The longest name in the table that the path lies in; packages' faces belong to their room."""
    place = path.removesuffix(".py").removesuffix("/__init__")
    return next(
        room
        for room in sorted(FLOOR_OF, key=len, reverse=True)
        if place == room or place.startswith(f"{room}/")
    )


@cache
def runtime_imports(path: str) -> frozenset[str]:
    """Files of the package that a file imports at run time, lazily or not."""
    found: set[str] = set()

    def visit(node: ast.AST) -> None:
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            return
        if isinstance(node, ast.Import):
            found.update(MODULES[alias.name] for alias in node.names if alias.name in MODULES)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                name = f"{node.module}.{alias.name}"
                home = name if name in MODULES else node.module
                if home in MODULES:
                    found.add(MODULES[home])
        for child in ast.iter_child_nodes(node):
            visit(child)

    visit(ast.parse((ROOT / path).read_text(encoding="utf-8")))
    return frozenset(found - {path})


def allowed(above: str, below: str) -> bool:
    """Whether a file of the room `above` may import from the room `below`."""
    return above == below or FLOOR_OF[below] < FLOOR_OF[above]


@pytest.mark.parametrize("path", python_files())
def test_imports_go_down(path: str) -> None:
    room = room_of(path)
    wrong = [other for other in runtime_imports(path) if not allowed(room, room_of(other))]
    assert sorted(wrong) == [], f"{path} stands in {room}"


def test_no_circle_of_files() -> None:
    graph = {path: runtime_imports(path) for path in python_files()}
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_every_room_of_the_table_exists() -> None:
    for room in FLOOR_OF:
        assert (ROOT / room).is_dir() or (ROOT / f"{room}.py").is_file(), room


def test_the_test_sees_an_import_that_goes_up() -> None:
    # A test that cannot fail proves nothing: the rooms the other way round are refused.
    assert not allowed("datasets/files", "infer/run")
    assert not allowed("infer/text", "infer/quality")
    assert "infer/run/run.py" in runtime_imports("infer/commands/review.py")
