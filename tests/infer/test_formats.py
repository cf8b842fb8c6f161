"""Pictures of phones and offices: BMP, HEIC and PDF are read, within the limits of the others.

What a file is, is given by the formats' own descriptions; Pillow writes the BMP and PDF files here.
"""

from __future__ import annotations

import base64
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from crownlet.datasets.files import heic, images, pdf
from crownlet.datasets.files.images import PageError, read_page
from crownlet.infer.batch.inputs import find_pictures

INK, SKIN = (90, 50, 30), (230, 230, 230)
# A corner in brown ink, 96 x 64 px, drawn for this test; libheif has written it.
HEIC = base64.b64decode(
    """
AAAAHGZ0eXBoZWljAAAAAG1pZjFoZWljbWlhZgAAAVZtZXRhAAAAAAAAACFoZGxyAAAAAAAAAABwaWN0AAAAAAAAAAAAAAAA
AAAAACJpbG9jAAAAAERAAAEAAQAAAAABegABAAAAAAAAANkAAAAjaWluZgAAAAAAAQAAABVpbmZlAgAAAAABAABodmMxAAAA
AA5waXRtAAAAAAABAAAA1mlwcnAAAAC3aXBjbwAAAHhodmNDAQNwAAAAkAAAAAAAHvAA/P34+AAADwNgAAEAGEABDAH//wNw
AAADAJAAAAMAAAMAHroCQGEAAQArQgEBA3AAAAMAkAAAAwAAAwAeoDCBBZbqSSmubgIaDAgAAAMAyAAAAwAIQGIAAQAHRAHB
crAiQAAAABNjb2xybmNseAABAA0ABoAAAAAUaXNwZQAAAAAAAABgAAAAQAAAABBwaXhpAAAAAAMICAgAAAAXaXBtYQAAAAAA
AAABAAEEgQIDBAAAAOFtZGF0AAAA1SgBrw7g6F7E8uxaf0nA2j1CV1h/uUgP/tP+Q1bcCUwC6/5WRponxOk4bi3TTFi46iYx
D/0ha8XNDnsVeuu/RIppbT2OXP/Tf2K0bpF1930GIpn4sQIqoptZdIstSYsRuh9Rd5vH4iwsNYNkeol9/H/BfUGj3740rS7n
sSEN0tvq/2+rjbqaEWEGb9iALSxURc/kXXArP+8//w19eQw1NeLyXJhzul3h04rp3qd9Rlr821I36GyfkR/iX0UfK11FYnfK
h/jK09NqestCUXF9EY0WizrE1A==
"""
)


def drawn() -> np.ndarray:
    """The picture of `HEIC` as it was drawn."""
    pixels = np.full((64, 96, 3), SKIN, np.uint8)
    pixels[16:24, 16:80] = pixels[24:48, 72:80] = INK
    return pixels


def written(path: Path, *pages: np.ndarray, **options: object) -> Path:
    first, *others = (Image.fromarray(page) for page in pages)
    more = {"save_all": True, "append_images": others} if others else {}
    first.save(path, **more, **options)
    return path


def test_bmp(tmp_path: Path) -> None:
    page = read_page(written(tmp_path / "a.bmp", drawn()))
    assert page.facts.format == "BMP"
    assert np.array_equal(page.pixels, drawn())


def test_heic_of_a_phone(tmp_path: Path) -> None:
    pytest.importorskip("pi_heif")
    (tmp_path / "a.HEIC").write_bytes(HEIC)
    page = read_page(tmp_path / "a.HEIC")
    # Lossy, so close and not the same: the roof and the leg are ink, the corner's inside is skin.
    assert page.pixels.shape == (64, 96, 3)
    assert np.abs(page.pixels.astype(int) - drawn()).mean() < 6
    (tmp_path / "cut.heic").write_bytes(HEIC[:300])
    with pytest.raises(PageError, match=r"damaged|cut off"):
        read_page(tmp_path / "cut.heic")


def test_heic_keeps_to_the_limit_of_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pi_heif")
    (tmp_path / "a.heic").write_bytes(HEIC)
    monkeypatch.setattr(images, "MAX_READING_BYTES", len(HEIC) + 96 * 63 * 10)
    with pytest.raises(PageError, match="too large"):
        read_page(tmp_path / "a.heic")


def test_without_the_extra_a_sentence_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(heic, "enable_heic", lambda: False)
    (tmp_path / "a.heic").write_bytes(HEIC)
    with pytest.raises(PageError, match=r"'\.\[heic\]'.*JPEG"):
        read_page(tmp_path / "a.heic")


@pytest.mark.parametrize(
    ("data", "is_one"),
    [
        # ISO/IEC 23008-12, annex B: brands of pictures in HEVC; avif is another coding.
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", True),
        (b"\0\0\0\x18ftypmif1\0\0\0\0mif1heic", True),
        (b"\0\0\0\x18ftypmif1\0\0\0\0mif1avif", False),
        (b"\0\0\0\x18ftypisom\0\0\0\0isommp41", False),
        (b"\x89PNG\r\n\x1a\n", False),
    ],
)
def test_heic_is_known_by_its_brands(data: bytes, is_one: bool) -> None:
    assert heic.is_heic(data) is is_one


def test_each_page_of_a_pdf_is_a_picture(tmp_path: Path) -> None:
    pytest.importorskip("pypdfium2")
    other = drawn()[::-1].copy()
    written(tmp_path / "scan.pdf", drawn(), other, resolution=300.0)
    found = find_pictures([str(tmp_path)], tmp_path / "run")
    assert (found.wrong, found.unread) == ([], [])
    assert [path.name for path in found.paths] == ["scan-p01.png", "scan-p02.png"]
    first, second = (read_page(path) for path in found.paths)
    # PDF 32000-1: a page is 1/72 inch a unit; rendered at the scan's own resolution.
    assert first.facts.dpi == pytest.approx(300, abs=1)
    assert first.pixels.shape == (64, 96, 3)
    assert np.abs(first.pixels.astype(int) - drawn()).mean() < 12
    assert np.abs(second.pixels.astype(int) - other).mean() < 12
    before = [path.stat().st_mtime_ns for path in found.paths]
    again = find_pictures([str(tmp_path)], tmp_path / "run").paths
    assert [path.stat().st_mtime_ns for path in again] == before


def test_a_damaged_pdf_is_one_sentence(tmp_path: Path) -> None:
    pytest.importorskip("pypdfium2")
    (tmp_path / "cut.pdf").write_bytes(b"%PDF-1.4\n1 0 obj <<")
    found = find_pictures([str(tmp_path / "cut.pdf")], tmp_path / "run")
    assert found.paths == []
    assert found.wrong == [f"{tmp_path / 'cut.pdf'}: the PDF is damaged and cannot be opened."]


def test_a_pdf_keeps_to_the_limit_of_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pypdfium2")
    path = written(tmp_path / "scan.pdf", drawn(), resolution=300.0)
    monkeypatch.setattr(pdf, "MAX_PIXELS", 96 * 63)
    with pytest.raises(PageError, match=r"page 1 is too large"):
        pdf.render_pages(path, tmp_path)


def test_what_is_not_read_is_listed_with_its_cause(tmp_path: Path) -> None:
    for name in ("a.png", "list.csv", "film.mov", "raw.CR2", "b/odd.xyz", ".hidden.png"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "b" / "round").symlink_to(tmp_path)
    found = find_pictures([str(tmp_path)], tmp_path / "run")
    assert [path.name for path in found.paths] == ["a.png"]
    causes = {file.path.name: file.cause for file in found.unread}
    assert set(causes) == {"list.csv", "film.mov", "raw.CR2", "odd.xyz", "round"}
    assert causes["list.csv"] == "a table"
    assert "TIFF" in causes["raw.CR2"]
    assert "link" in causes["round"]
