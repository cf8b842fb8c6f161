"""Tables, labels, customs and numbers of strangers: read, or refused in one sentence."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from strangers import JSON, MANY, ROWS, sentence

from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.scribal.customs import load_customs
from crownlet.datasets.scribal.texts import read_portion
from crownlet.infer.networks import ModelError, read_verified_files, weights_folder
from crownlet.infer.scrolls.members import read_scroll_table
from crownlet.infer.survey.manifest import ManifestError, read_manifest
from crownlet.infer.thresholds import load_thresholds


def table(rows: list[list[str]], divider: str) -> bytes:
    return "\n".join(divider.join(row) for row in rows).encode("utf-8", "replace")


@MANY
@given(
    st.binary(max_size=200)
    | st.builds(
        lambda rows, by: b"scan,scroll,side,source\n".replace(b",", by.encode()) + table(rows, by),
        ROWS, st.sampled_from(",;\t"),
    )
)  # fmt: skip
def test_tables_of_scrolls_and_manifests(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(content)
    try:
        read_scroll_table(path)
    except FileFault as error:
        sentence(error, path)
    try:
        read_manifest(path)
    except ManifestError as error:
        sentence(error, path, lines=1 + len(error.faults))
        assert all("\n" not in fault for fault in error.faults)
    except FileFault as error:
        sentence(error, path)


BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{b}: &{b} [{','.join([f'*{a}'] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)
"""Nine levels of nine: "billion laughs", a gigabyte once written out (CVE-2003-1564)."""
HOSTILE = (
    BOMB, *(f"{key}: {{{BOMB.strip().replace(chr(10), ',')}}}" for key in ("style", "name")),
    "style: !!python/object/apply:os.system [id]", "style: {a: 1}", "[" * 30_000,
    "version: 0x" + "f" * 9000, "0x" + "f" * 9000 + ": 1", "version: " + "9" * 9000,
    "large_letter_ratio: .nan", "large_letter_ratio: 1e999", "large_letter_ratio: 0x" + "f" * 900,
    "name: ''", "name: [a]", "? [a]\n: 1\n", "version: 2020-99-99", "\0", "&a a: *b", "- style",
    "style: vellish\nstyle: arizal", "<<: 1", "x" * 70_000,
)  # fmt: skip


@pytest.mark.parametrize("content", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_customs(tmp_path: Path, content: str, relative_time: Callable[..., float]) -> None:
    path = tmp_path / "customs.yaml"
    path.write_text(content)

    def refuse() -> None:
        with pytest.raises(ValueError, match="customs") as caught:
            load_customs(path)
        sentence(caught.value, path)

    # Measured 0.03 at most; nine levels of nine written out would be thousands.
    assert relative_time(refuse) < 4


@MANY
@given(st.binary(max_size=100) | JSON.map(lambda data: yaml.safe_dump(data).encode()) | st.builds(
    lambda key, value: yaml.safe_dump({key: value}).encode(),
    st.sampled_from(("style", "version", "name", "large_letter_ratio")), JSON,
))  # fmt: skip
def test_customs(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "customs.yaml"
    path.write_bytes(content)
    try:
        load_customs(path)
    except ValueError as error:
        sentence(error, path)


@MANY
@given(st.binary(max_size=100) | st.text(max_size=60).map(lambda text: text.encode()))
def test_texts(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "text.txt"
    path.write_bytes(content)
    try:
        read_portion(path)
    except ValueError as error:
        sentence(error, path)


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("model")
    for path in weights_folder().iterdir():
        if path.suffix in (".onnx", ".yaml", ".sha256"):
            shutil.copy(path, folder)
    return folder


@pytest.mark.parametrize("name", ["locator.onnx", "assessor.onnx"])
def test_networks_are_verified_before_they_are_loaded(
    model: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bit of a network changed, at the head, in the middle, at the end, or all of it gone."""
    from crownlet.infer.networks import OnnxNetworks, import_onnx_runtime

    def loaded(*_: object, **__: object) -> None:
        raise AssertionError("loaded before it was verified")

    monkeypatch.setattr(import_onnx_runtime(), "InferenceSession", loaded)
    whole = (model / name).read_bytes()
    try:
        for at in (0, len(whole) // 2, len(whole) - 1, None):
            changed = b"" if at is None else whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]
            (model / name).write_bytes(changed)
            with pytest.raises(ModelError, match="checksum") as caught:
                OnnxNetworks(model)
            sentence(caught.value, model / name)
    finally:
        (model / name).write_bytes(whole)
    assert set(read_verified_files(model)) == {"locator.onnx", "assessor.onnx"}


def leaves(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(data, dict):
        return [leaf for key, value in data.items() for leaf in leaves(value, (*path, key))]
    return [path]


@settings(MANY, max_examples=60)
@given(
    st.sampled_from(("thresholds.yaml", "routing.yaml")), st.integers(0, 10_000),
    JSON | st.sampled_from((-1.0, 1.5, float("nan"), "x", None)),
)  # fmt: skip
def test_numbers_that_decide(model: Path, name: str, place: int, value: Any) -> None:
    """A threshold exchanged for anything is refused in a sentence, or is one that may stand."""
    whole = (model / name).read_bytes()
    data = yaml.safe_load(whole)
    every = leaves(data)
    *steps, last = every[place % len(every)]
    target = data
    for step in steps:
        target = target[step]
    target[last] = value
    try:
        with contextlib.suppress(yaml.YAMLError):
            (model / name).write_text(yaml.safe_dump(data))
        load_thresholds(model)
    except ModelError as error:
        sentence(error, model)
    finally:
        (model / name).write_bytes(whole)
