"""Damaged picture files: read or refused in a sentence, in bounded time and memory."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from pathlib import Path

import fuzz_pages
import mutants
import numpy as np
import pytest
from counting import count_cases
from PIL import Image

from crownlet.datasets.files.images import PageError, read_page


@pytest.mark.parametrize("kind", mutants.KINDS)
def test_damaged_files(kind: str) -> None:
    figures = count_cases(Path(fuzz_pages.__file__), kind, 150)
    assert figures["bad"] == []
    assert figures["read"] > 10
    assert figures["refused"] > 50


@pytest.mark.parametrize(("mode", "kind"), [("RGB", "tiff"), ("RGB", "webp"), ("L", "png")])
def test_what_a_picture_takes_is_reckoned_before_it_is_decoded(
    tmp_path: Path, mode: str, kind: str
) -> None:
    """A picture of 16 megapixels takes no more than was reckoned, measured as `VmHWM`."""
    path = tmp_path / f"page.{kind}"
    Image.new(mode, (4000, 4000), None).save(path)
    code = (
        "import sys, pathlib; sys.path.insert(0, sys.argv[2]); import fuzz_pages\n"
        "from PIL import Image\nfrom crownlet.datasets.files.images import bytes_per_pixel\n"
        "from crownlet.datasets.files.images import read_page\n"
        "before = fuzz_pages.peak(); read_page(sys.argv[1])\n"
        "print(fuzz_pages.peak() - before, bytes_per_pixel(Image.open(sys.argv[1])))"
    )
    command = [sys.executable, "-c", code, str(path), str(Path(__file__).parent)]
    took, each = map(int, subprocess.check_output(command, text=True).split())
    # The file itself, and twenty megabytes for Pillow's plugins and blocks under way.
    assert took < each * 4000 * 4000 + path.stat().st_size + 20_000_000


@pytest.mark.parametrize(
    "name", ["a\nb.png", "שמע ישראל.png", "x" * 240 + ".png", "a'b\"c;d`e$(f).png", "-rf.png"]
)
def test_odd_names(tmp_path: Path, name: str) -> None:
    Image.new("L", (30, 30), 200).save(tmp_path / name)
    assert read_page(tmp_path / name).pixels.shape == (30, 30)
    (tmp_path / name).write_bytes(b"no picture")
    with pytest.raises(PageError) as caught:
        read_page(tmp_path / name)
    assert "\n" not in str(caught.value)
    again = pickle.loads(pickle.dumps(caught.value))
    assert (type(again), str(again)) == (PageError, str(caught.value))


def test_names_that_are_no_text_and_no_files(tmp_path: Path) -> None:
    name = tmp_path / os.fsdecode(b"\xff\xfe.png")
    Image.new("L", (30, 30)).save(tmp_path / "a.png")
    (tmp_path / "a.png").rename(name)
    with pytest.raises(PageError, match="not in UTF-8"):
        read_page(name)
    with pytest.raises(PageError, match="cannot be the name"):
        read_page(tmp_path / "a\0b.png")
    os.mkfifo(tmp_path / "pipe.png")
    with pytest.raises(PageError, match="is no file"):
        read_page(tmp_path / "pipe.png")
    (tmp_path / "loop.png").symlink_to(tmp_path / "loop.png")
    with pytest.raises(PageError, match=r"cannot be read|no such file"):
        read_page(tmp_path / "loop.png")


def test_odd_exif_turns_nothing(tmp_path: Path) -> None:
    picture = np.random.default_rng(0).integers(0, 255, (30, 40), dtype=np.uint8)
    for orientation in (0, 9, 255, 65535):
        exif = Image.Exif()
        exif[274] = orientation
        Image.fromarray(picture).save(tmp_path / "p.png", exif=exif)
        assert np.array_equal(read_page(tmp_path / "p.png").pixels, picture)
    for block in (b"Exif\0\0", b"Exif\0\0II*\0\xff\xff\xff\xff", b"MM\0*\0\0\0\x08\xff\xff"):
        Image.fromarray(picture).save(tmp_path / "p.png", exif=block)
        assert np.array_equal(read_page(tmp_path / "p.png").pixels, picture)


def test_numbers_that_are_none_are_read(tmp_path: Path) -> None:
    deep = np.full((30, 40), 0.5, np.float32)
    deep[0, :3] = np.nan, np.inf, -np.inf
    Image.fromarray(deep).save(tmp_path / "f.tif")
    assert read_page(tmp_path / "f.tif").pixels.dtype == np.uint8


def test_a_refusal_that_is_no_sentence_is_stated() -> None:
    assert fuzz_pages.unclear(Path("a"), "a: two\nlines.")
    assert fuzz_pages.unclear(Path("a"), "Traceback.")
    assert not fuzz_pages.unclear(Path("a"), "a: is empty.")
