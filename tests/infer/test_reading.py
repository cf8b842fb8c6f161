"""Reading images: every depth and mode against the values written, every damage a sentence."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from crownlet.datasets.files.images import MAX_PIXELS, PageError, read_page

RAMP = np.tile(np.linspace(0, 255, 64).astype(np.uint8), (40, 1))
RGB = np.stack([RAMP, RAMP[:, ::-1], np.full_like(RAMP, 90)], axis=-1)


def saved(path: Path, image: Image.Image, **options: object) -> Path:
    image.save(path, **options)
    return path


@pytest.mark.parametrize("suffix", ["png", "tif", "webp"])
def test_lossless_formats_give_back_the_pixels(tmp_path: Path, suffix: str) -> None:
    options = {"lossless": True} if suffix == "webp" else {}
    path = saved(tmp_path / f"page.{suffix}", Image.fromarray(RGB), **options)
    page = read_page(path)
    assert np.array_equal(page.pixels, RGB)
    assert (page.facts.width, page.facts.height) == (64, 40)


def test_jpeg_is_near_what_was_written(tmp_path: Path) -> None:
    path = saved(tmp_path / "page.jpg", Image.fromarray(RAMP), quality=95, dpi=(600, 600))
    page = read_page(path)
    assert np.abs(page.pixels.astype(int) - RAMP).max() < 12
    assert page.facts.dpi == 600


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_are_scaled_not_clipped(tmp_path: Path, suffix: str) -> None:
    deep = RAMP.astype(np.uint16) * 257
    path = saved(tmp_path / f"deep.{suffix}", Image.fromarray(deep))
    assert np.abs(read_page(path).pixels.astype(int) - RAMP).max() <= 1


def test_twelve_bits_in_sixteen_keep_their_range(tmp_path: Path) -> None:
    path = saved(tmp_path / "deep.tif", Image.fromarray(RAMP.astype(np.uint16) * 16))
    pixels = read_page(path).pixels
    assert pixels.max() > 250
    assert len(np.unique(pixels)) > 50


def test_float_tiff_is_scaled(tmp_path: Path) -> None:
    path = saved(tmp_path / "f.tif", Image.fromarray(RAMP.astype(np.float32) / 255))
    assert np.abs(read_page(path).pixels.astype(int) - RAMP).max() <= 1


def test_alpha_lies_over_white(tmp_path: Path) -> None:
    rgba = np.dstack([np.zeros((40, 64, 3), np.uint8), RAMP])
    pixels = read_page(saved(tmp_path / "a.png", Image.fromarray(rgba))).pixels
    # Black ink of opacity a over white paper is 255 - a: Porter and Duff 1984, "over".
    assert np.abs(pixels[..., 0].astype(int) - (255 - RAMP.astype(int))).max() <= 1


def test_palette_with_transparency_lies_over_white(tmp_path: Path) -> None:
    image = Image.new("P", (64, 40), 0)
    image.putpalette([0, 0, 0, 200, 10, 10])
    image.paste(1, (0, 0, 64, 20))
    path = saved(tmp_path / "p.png", image, transparency=0)
    pixels = read_page(path).pixels
    assert tuple(pixels[5, 5]) == (200, 10, 10)
    assert tuple(pixels[30, 5]) == (255, 255, 255)


def test_cmyk_and_bilevel_and_grey_alpha(tmp_path: Path) -> None:
    cmyk = Image.new("CMYK", (64, 40), (0, 0, 0, 255))
    assert read_page(saved(tmp_path / "c.tif", cmyk)).pixels.max() < 10
    bilevel = Image.fromarray(RAMP).convert("1")
    assert set(np.unique(read_page(saved(tmp_path / "b.png", bilevel)).pixels)) <= {0, 255}
    la = Image.merge("LA", [Image.fromarray(RAMP), Image.new("L", (64, 40), 255)])
    assert np.array_equal(read_page(saved(tmp_path / "la.png", la)).pixels[..., 0], RAMP)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_stands_upright(tmp_path: Path, orientation: int) -> None:
    # EXIF 2.3, tag 274: what to do to the stored picture to see it upright.
    undo = {
        1: RGB, 2: RGB[:, ::-1], 3: RGB[::-1, ::-1], 4: RGB[::-1], 5: RGB.transpose(1, 0, 2),
        6: np.rot90(RGB, 1), 7: RGB.transpose(1, 0, 2)[::-1, ::-1], 8: np.rot90(RGB, -1),
    }  # fmt: skip
    exif = Image.Exif()
    exif[274] = orientation
    stored = Image.fromarray(np.ascontiguousarray(undo[orientation]))
    page = read_page(saved(tmp_path / "e.png", stored, exif=exif))
    assert np.array_equal(page.pixels, RGB)
    assert (page.facts.width, page.facts.height) == (64, 40)


def test_first_frame_of_many(tmp_path: Path) -> None:
    path = tmp_path / "m.tif"
    Image.fromarray(RAMP).save(path, save_all=True, append_images=[Image.fromarray(RAMP)])
    page = read_page(path)
    assert page.facts.frames == 2
    assert np.array_equal(page.pixels, RAMP)


def png_header(width: int, height: int) -> bytes:
    """A PNG of these sizes by its header, with no pixels to speak of (PNG 1.2, section 11)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def half_of(image: Image.Image, kind: str) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind)
    return buffer.getvalue()[: buffer.tell() // 2]


NOISE = Image.fromarray(np.random.default_rng(0).integers(0, 255, (200, 200), dtype=np.uint8))


@pytest.mark.parametrize(
    ("content", "cause"),
    [
        (b"", "empty"),
        (b"glyph,line,word\r\n1,1,1\r\n", "not a PNG, JPEG, TIFF, WebP, BMP"),
        (b"GIF89a" + bytes(100), "not a PNG, JPEG, TIFF, WebP, BMP"),
        (half_of(NOISE, "PNG"), "cut off"),
        (half_of(NOISE, "JPEG"), "cut off"),
        (half_of(NOISE, "TIFF"), "cut off|damaged"),
        (half_of(NOISE, "WEBP"), "cut off|damaged"),
        (png_header(30_000, 30_000), "too large"),
        (png_header(20_000, 16_000), "too large"),
        (png_header(1000, 1000), "cut off|damaged"),
        (png_header(0, 10), "damaged|not a PNG"),
        (png_header(9, 400), "too small"),
        (b"\x89PNG\r\n\x1a\n", "damaged|not a PNG|cut off"),
        (b"\xff\xd8\xff\xe0", "damaged|not a PNG|cut off"),
    ],
)  # fmt: skip
def test_bad_files_are_one_sentence(tmp_path: Path, content: bytes, cause: str) -> None:
    path = tmp_path / "bad.png"
    path.write_bytes(content)
    with pytest.raises(PageError, match=cause) as caught:
        read_page(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert text.endswith(".")
    assert "\n" not in text


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(PageError, match="no such file"):
        read_page(tmp_path / "none.png")
    with pytest.raises(PageError, match="folder"):
        read_page(tmp_path)


def test_pillow_limits_are_put_back(tmp_path: Path) -> None:
    before = Image.MAX_IMAGE_PIXELS
    read_page(saved(tmp_path / "page.png", Image.fromarray(RGB)))
    assert before == Image.MAX_IMAGE_PIXELS
    assert MAX_PIXELS >= 100_000_000  # a Torah column at 1200 dpi


def test_arrays() -> None:
    assert np.array_equal(read_page(RGB).pixels, RGB)
    assert np.array_equal(read_page(RAMP[..., None]).pixels, RAMP)
    assert np.abs(read_page(RAMP.astype(np.uint16) * 257).pixels.astype(int) - RAMP).max() <= 1
    for bad in (RAMP.astype(np.float64), np.zeros((0, 5), np.uint8), RAMP[0], np.zeros((5, 5, 2))):
        with pytest.raises(PageError, match=r"^array: "):
            read_page(bad)
