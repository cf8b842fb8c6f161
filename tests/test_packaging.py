"""The wheel against the folders, the light install, and what the house forbids everywhere."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import packages_distributions
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("configs", "datasets", "infer", "models", "train")
FILES = ("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml")
SHOWN_IN_README = {
    "datasets/render/letterforms/sampler.png",
    "infer/review/review.png",
    "infer/sheet/sheet.png",
}
# Rooms and modules of `infer` that come with an extra of their own, and the extra.
WITH_EXTRA = {
    "infer/review": "review",
    "infer/desk": "review",
    "infer/survey": "survey",
    "infer/demo/survey": "survey",
    "infer/batch/dask_cluster": "cluster",
    "datasets/files/heic": "heic",
    "datasets/files/pdf": "pdf",
}
EXTRAS = (
    "dask",
    "distributed",
    "matplotlib",
    "pyarrow",
    "starlette",
    "uvicorn",
    "statsmodels",
    "playwright",
)
HEAVY = (
    *EXTRAS,
    *("torch", "torchvision", "pytorch_lightning", "lightning", "torchmetrics", "tensorboard"),
    *("hydra", "omegaconf", "albumentations", "albucore", "shapely", "scipy", "sklearn"),
    *("onnx", "onnxscript", "faster_coco_eval", "fontTools", "tqdm"),
)


def house(*options: str) -> list[str]:
    """Paths that git tracks, with further `options` of ls-files, links left out."""
    command = ["git", "ls-files", "-z", "--cached", *options]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    paths = [path for path in listed.split("\0") if path]
    return [path for path in paths if (ROOT / path).is_file() and not (ROOT / path).is_symlink()]


def rooms() -> set[str]:
    """Files of the rooms, those included that are not yet committed."""
    paths = house("--others", "--exclude-standard")
    return {path for path in paths if PurePosixPath(path).parts[0] in ROOMS}


def imports(path: str) -> list[str]:
    """Absolute modules that a Python file imports."""
    found = []
    for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.append(node.module)
    return found


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clean copy of the house: a stale `build/` would put deleted modules into the wheel."""
    copy = tmp_path_factory.mktemp("source")
    for path in {*house(), *rooms()}:
        if PurePosixPath(path).parts[0] in (*ROOMS, *FILES):
            (copy / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / path, copy / path)
    return copy


def test_wheel_holds_every_module_and_data_file(source: Path, tmp_path: Path) -> None:
    copied = {path.relative_to(source).as_posix() for path in source.rglob("*") if path.is_file()}
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation"]
    built_with = subprocess.run(
        [*command, "-v", "-w", str(tmp_path), str(source)], capture_output=True, text=True
    )
    assert built_with.returncode == 0, built_with.stderr
    # setuptools warns where folders of data stand beside packages and are not listed.
    assert "absent from" not in built_with.stdout + built_with.stderr
    (built,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(built) as archive:
        packed = {name for name in archive.namelist() if name.startswith("crownlet/")}
    # Weights to train on from, and the documents of rooms, are for a checkout.
    for_checkouts = {path for path in copied if path.endswith((".safetensors", "README.md"))}
    assert {name.removeprefix("crownlet/") for name in packed} == (
        copied - SHOWN_IN_README - for_checkouts - {*FILES}
    )


def test_every_folder_with_python_is_a_package() -> None:
    paths = [PurePosixPath(path) for path in rooms()]
    folders = {path.parent for path in paths if path.suffix in (".py", ".yaml")}
    packages = {path.parent for path in paths if path.name == "__init__.py"}
    assert folders - packages == set()


def test_packages_say_what_lives_there() -> None:
    for path in rooms():
        if path.endswith("__init__.py"):
            text = ast.get_docstring(ast.parse((ROOT / path).read_text(encoding="utf-8"))) or ""
            assert re.match(r"[A-Z`].{30,}", text, re.DOTALL) and text.endswith("."), path


LIGHT_IMPORTS = f"""
import importlib, pkgutil, sys

class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {HEAVY!r}:
            raise ImportError("blocked: " + name)

sys.meta_path.insert(0, Blocker())
import crownlet.infer
apart = tuple("crownlet." + place.replace("/", ".") + "." for place in {tuple(WITH_EXTRA)!r})
names = [m.name for m in pkgutil.walk_packages(crownlet.infer.__path__, "crownlet.infer.")]
names = [name for name in names if not f"{{name}}.".startswith(apart)]
names += ["crownlet.datasets.scribal." + n for n in ("alphabet", "texts", "catalogue", "customs",
    "pentateuch")]
for name in names:
    if not name.endswith("__main__"):
        importlib.import_module(name)
print(len(names))
"""


def test_inference_imports_nothing_heavy() -> None:
    run = subprocess.run([sys.executable, "-c", LIGHT_IMPORTS], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert int(run.stdout) > 4


def test_no_room_is_imported_bare() -> None:
    python = [path for path in {*house(), *rooms()} if path.endswith(".py")]
    named = [(path, name) for path in python for name in imports(path)]
    assert [pair for pair in named if pair[1].partition(".")[0] in ROOMS] == []


def declared(*extras: str) -> set[str]:
    """Distributions that `pyproject.toml` names, without and with these extras."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = list(project["dependencies"])
    for extra in extras:
        listed += project["optional-dependencies"][extra]
    return {normal(re.split(r"[\[<>=~! ]", entry)[0]) for entry in listed}


def normal(distribution: str) -> str:
    return re.sub(r"[-_.]+", "-", distribution).lower()


@pytest.mark.parametrize(
    ("folders", "extras"),
    [
        (("infer",), ()),
        (ROOMS, ("train", "review", "survey")),
        (("tests",), ("train", "review", "survey", "cluster", "heic", "pdf", "test")),
    ],
)
def test_what_is_imported_is_declared(folders: tuple[str, ...], extras: tuple[str, ...]) -> None:
    homes = packages_distributions()
    allowed = declared(*extras)
    helpers = {path.stem for path in (ROOT / "tests").rglob("*.py")}
    own = {*sys.stdlib_module_names, "crownlet", *(helpers if "tests" in folders else ())}
    undeclared = set()
    for path in sorted({*house(), *rooms()}):
        if path.endswith(".py") and PurePosixPath(path).parts[0] in folders:
            parents = {parent.as_posix() for parent in PurePosixPath(path).parents}
            places = {*parents, path.removesuffix(".py")}
            more = declared(*(WITH_EXTRA[place] for place in places & {*WITH_EXTRA}))
            for name in {name.partition(".")[0] for name in imports(path)} - own:
                if not (allowed | more) & {normal(home) for home in homes.get(name, [])}:
                    undeclared.add((path, name))
    assert undeclared == set()


def test_no_file_names_a_package_registry() -> None:
    # Written in two halves so that this file does not name them either.
    hosts = [("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"), ("anaconda", "org")]
    hosts += [("download.pytorch", "org"), ("golang", "org"), ("crates", "io")]
    pattern = re.compile("|".join(re.escape(f"{a}.{b}") for a, b in hosts).encode())
    named = [path for path in house() if pattern.search((ROOT / path).read_bytes())]
    assert named == []


def test_top_level_holds_the_rooms_only() -> None:
    allowed = {*ROOMS, *FILES, "tests"}
    top = {PurePosixPath(path).parts[0] for path in house()}
    assert {name for name in top if not name.startswith(".")} - allowed == set()
