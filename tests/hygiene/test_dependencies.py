"""Licences and versions of what the package brings, from the metadata of what is installed."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import audit
import floors
import pytest
import sbom

ROOT = Path(__file__).resolve().parents[2]
EXCEPTED = {
    "certifi": "MPL-2.0: a list of certificates, unchanged",
    "hypothesis": "MPL-2.0: runs tests, is shipped with nothing",
    "pi-heif": "LGPL-3.0: its wheel holds libheif and libde265, unchanged; only by the extra heic",
    "pathspec": "MPL-2.0: of mypy, is shipped with nothing",
    "tqdm": "MPL-2.0 AND MIT: progress of training, unchanged",
}
"""For training, tests and the extra heic alone, with what is not permissive about them and why it
may be."""
GPU = ("nvidia-", "cuda-")
"""Libraries of the card's maker, which torch brings for training on one."""


def of_card(name: str) -> bool:
    return name.startswith(GPU)


@pytest.mark.parametrize("extras", [(), ("review",), ("survey",), ("cluster",), ("pdf",)])
def test_what_users_install_is_permissive(extras: tuple[str, ...]) -> None:
    found = audit.installed(*extras)
    assert len(found) > 6
    wrong = {
        n: audit.licence(d) for n, d in found.items() if not audit.permissive(audit.licence(d))
    }
    assert wrong == {}


def test_what_training_and_tests_bring_is_permissive_or_known() -> None:
    found = audit.installed("all")
    wrong = {
        name: audit.licence(one) for name, one in found.items()
        if not audit.permissive(audit.licence(one)) and name not in EXCEPTED and not of_card(name)
    }  # fmt: skip
    assert wrong == {}
    users = audit.installed("review", "survey", "cluster", "pdf")
    assert not [name for name in users if name in EXCEPTED or of_card(name)]


@pytest.mark.parametrize(
    ("name", "fine"),
    [
        # SPDX identifiers; which are copyleft: choosealicense.com/appendix, from memory.
        ("MIT", True), ("BSD-3-Clause AND 0BSD AND Zlib", True),
        ("Apache-2.0 OR BSD-2-Clause", True),
        ("Apache-2.0 WITH LLVM-exception", True), ("MIT-CMU", True), ("GPL-3.0-only", False),
        ("MIT AND LGPL-2.1-or-later", False), ("AGPL-3.0", False),
        ("MPL-2.0", False), ("", False),
        ("LicenseRef-NVIDIA-Proprietary", False), ("Proprietary", False), ("CC-BY-NC-4.0", False),
        ("MPL-2.0 AND MIT", False),
    ],
)  # fmt: skip
def test_licences_are_told_apart(name: str, fine: bool) -> None:
    assert audit.permissive(name) is fine


def pinned_versions() -> dict[str, str]:
    """The versions of `configs/constraints.txt`."""
    text = (ROOT / "configs" / "constraints.txt").read_text("utf-8")
    return {audit.plain(n): v for n, v in re.findall(r"^([\w.-]+)==(\S+)$", text, re.M)}


def test_every_direct_dependency_is_pinned_or_bounded() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lines = [*project["dependencies"]]
    for extra in project["optional-dependencies"].values():
        lines += [line for line in extra if not line.startswith(audit.ROOT)]
    pinned = set(pinned_versions())
    open_ended = [line for line in lines if not re.search("<|==", line)]
    names = {audit.plain(re.split(r"[\[<>=~! ]", line)[0]) for line in open_ended}
    assert names - pinned == set()
    untested = [line for line in lines if not re.search(r"[<>=]", line) and "types-" not in line]
    assert untested == []


def test_all_that_users_install_is_pinned(versions_are_pinned: bool) -> None:
    """What a dependency brings decides as much as it does: h11 parses requests, protobuf models."""
    if not versions_are_pinned:
        pytest.skip("Other versions bring other packages.")
    pinned = set(pinned_versions())
    found = audit.installed("review", "survey", "cluster", "heic", "pdf")
    assert {"h11", "anyio", "protobuf"} <= set(found)
    assert set(found) - pinned == set()


@pytest.mark.parametrize(
    ("name", "floor"),
    [
        # First versions without a published advisory (CVE or GHSA of each, by the databases of
        # GitHub and PyPA as of autumn 2026).
        ("jinja2", (3, 1, 6)),  # CVE-2025-27516
        ("h11", (0, 16)),  # CVE-2025-43859
        ("starlette", (1, 3, 1)),  # GHSA-82w8-qh3p-5jfq, CVE-2026-48710
        ("python-multipart", (0, 0, 31)),  # GHSA-v9pg-7xvm-68hf
        ("pillow", (12, 3)),  # CVE-2026-55798 and eleven more
        ("opencv-python-headless", (4, 12)),  # CVE-2025-53644
        ("pi-heif", (1, 3)),  # CVE-2026-28231
        ("distributed", (2026, 1)),  # CVE-2026-23528
        ("onnx", (1, 21)),  # CVE-2026-27489, CVE-2026-34445
        ("pytorch-lightning", (2, 6, 6)),  # CVE-2026-58659
        ("pyarrow", (23, 0, 1)),  # CVE-2026-25087
        ("hydra-core", (1, 3, 4)),  # CVE-2026-68508
        ("fonttools", (4, 60, 2)),  # CVE-2025-66034
        ("tqdm", (4, 66, 3)),  # CVE-2024-34062
        ("pytest", (9, 0, 3)),  # CVE-2025-71176
        ("setuptools", (83,)),  # CVE-2026-59890
    ],
)
def test_floors_lie_above_published_advisories(name: str, floor: tuple[int, ...]) -> None:
    assert version_of(floors.floors()[name]) >= floor


def version_of(text: str) -> tuple[int, ...]:
    """Numbers of a version, without zeros at its end (PEP 440: 1.0 is 1)."""
    numbers = [int(part) for part in text.split(".")]
    while numbers and not numbers[-1]:
        numbers.pop()
    return tuple(numbers)


def test_floors_lie_below_what_is_pinned() -> None:
    """`.ci/oldest` runs the tests with the one, `.ci/run` with the other."""
    pins = pinned_versions()
    above = {
        name: floor for name, floor in floors.floors().items()
        if version_of(floor) > version_of(pins[audit.plain(name)])
    }  # fmt: skip
    assert above == {}
    text = (ROOT / ".ci" / "oldest").read_text("utf-8")
    assert "tests/hygiene/floors.py" in text


def test_what_users_install_has_hashes_and_no_address(versions_are_pinned: bool) -> None:
    """Format: pip's requirements files with `--hash`, which only hold exact versions."""
    text = (ROOT / "configs" / "hashes.txt").read_text("utf-8")
    assert not re.search(r"://|^\s*-", re.sub(r"--hash=sha256:[0-9a-f]{64}\b", "", text), re.M)
    entries = re.findall(r"^([\w.-]+)==(\S+) \\\n((?: +--hash=\S+(?: \\)?\n)+)", text, re.M)
    hashed = {name: version for name, version, _ in entries}
    pins = pinned_versions()
    assert hashed == {name: pins[name] for name in hashed}
    if versions_are_pinned:  # Others bring other packages.
        users = audit.installed("review", "survey", "cluster", "heic", "pdf")
        assert set(users) - set(hashed) == set()
    every = re.findall(r"--hash=sha256:([0-9a-f]{64})\b", text)
    assert len(every) == len(set(every))


def test_the_list_of_parts_is_cyclonedx() -> None:
    made = sbom.bom("review", "survey")
    # ECMA-424: bomFormat and specVersion are required; serialNumber matches this pattern.
    assert (made["bomFormat"], made["specVersion"]) == ("CycloneDX", "1.6")
    uuid = r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
    assert re.fullmatch(uuid, made["serialNumber"])
    parts = {part["bom-ref"]: part for part in made["components"]}
    assert len(parts) == len(made["components"])
    known = {*parts, made["metadata"]["component"]["bom-ref"]}
    for entry in made["dependencies"]:
        assert entry["ref"] in known
        assert set(entry["dependsOn"]) <= known
        assert len(set(entry["dependsOn"])) == len(entry["dependsOn"])
    named = {part["name"] for part in parts.values()}
    assert {"numpy", "onnxruntime", "starlette", "scipy", "locator.onnx"} <= named
    assert not {"torch", "pytest"} & named
    # Type, name and, for a library, its licence: what whoever takes it over needs to know.
    assert all(p["type"] and p["name"] for p in parts.values())
    assert all(p["licenses"] for p in parts.values() if p["type"] == "library")
    assert re.fullmatch(r"[0-9a-f]{64}", parts["crownlet/locator.onnx"]["hashes"][0]["content"])


def test_the_list_is_the_same_every_time() -> None:
    script = Path(__file__).with_name("sbom.py")
    outs = [subprocess.check_output([sys.executable, "-I", script]) for _ in range(2)]
    assert outs[0] == outs[1]
    assert json.loads(outs[0])["components"]
