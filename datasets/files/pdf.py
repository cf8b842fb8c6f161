"""PDF files of scans: each page taken out as a PNG picture, by pypdfium2, an extra of its own.

A page that holds one picture is rendered at that picture's own resolution, others at
`DEFAULT_DPI`. The PDF is opened in a process of its own, so that a damaged file that crashes the
reader is a sentence and not the end of the program; sizes are limited as for every other picture.
"""

from __future__ import annotations

import json
import multiprocessing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.datasets.files.atomic import atomic_write, file_checksum, write_file
from crownlet.datasets.files.images import MAX_PIXELS, MAX_READING_BYTES, PageError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from PIL import Image

DEFAULT_DPI = 600
"""Resolution of a page that is drawn and holds no single picture."""

MAX_PDF_BYTES = 2_000_000_000

MAX_PDF_PAGES = 400

MAX_SECONDS = 900.0
"""Seconds after which a file is given up."""

POINTS_PER_INCH = 72.0

BYTES_PER_RENDERED_PIXEL = 12
"""Bytes of memory for each pixel while a page is rendered: PDFium's bitmap, Pillow's picture, and
the picture that the page holds, decoded."""

CHECKSUM_CHARACTERS = 12

NO_PDF_READER = (
    "is a PDF, which needs one more part of the program: pip install '.[pdf]'; or save its pages "
    "as PNG or TIFF."
)

_FULL_PAGE_SHARE = 0.5
"""Share of a page from which on its one picture is the scan."""


def take_out_pages(path: Path, folder: Path) -> list[Path]:
    """The pages of a PDF as PNG files below `folder`, in their order; those there are kept.

    `NAME.pdf` gives `NAME.png`, or `NAME-p01.png` and so on, in a folder named by the checksum of
    the file. PageError, in one sentence, for a file that cannot be used.
    """
    try:
        if path.stat().st_size > MAX_PDF_BYTES:
            raise PageError(path, f"is larger than {MAX_PDF_BYTES // 1_000_000_000} GB.")
        into = folder / file_checksum(path)[:CHECKSUM_CHARACTERS]
        into.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PageError(path, f"cannot be read ({error.strerror or error}).") from None
    listed = into / "pages.json"
    if listed.is_file():
        pages = [into / name for name in json.loads(listed.read_bytes())]
        if all(page.is_file() for page in pages):
            return pages
    pages = _ask_process(path, into)
    write_file(listed, json.dumps([page.name for page in pages]))
    return pages


def _ask_process(path: Path, into: Path) -> list[Path]:
    """`render_pages` in a new process; PageError where it fails, dies, or takes too long."""
    spawn = multiprocessing.get_context("spawn")
    receiver, sender = spawn.Pipe(duplex=False)
    process = spawn.Process(target=_answer, args=(sender, path, into), daemon=True)
    process.start()
    sender.close()
    try:
        if not receiver.poll(MAX_SECONDS):
            raise PageError(path, f"took longer than {MAX_SECONDS:.0f} s to open.")
        answer = receiver.recv()
    except EOFError:
        raise PageError(path, "the PDF is damaged and cannot be opened.") from None
    finally:
        process.kill()
        process.join()
        receiver.close()
    if isinstance(answer, str):
        raise PageError(path, answer)
    return [Path(page) for page in answer]


def _answer(sender: Connection, path: Path, into: Path) -> None:
    """Send the pages of a PDF, or the sentence on what is wrong with it."""
    try:
        sender.send(render_pages(path, into))
    except PageError as error:
        sender.send(error.reason)
    except ImportError:
        sender.send(NO_PDF_READER)
    except MemoryError:
        sender.send("there is not enough memory for its pages.")
    except OSError as error:
        sender.send(f"its pages cannot be written ({error.strerror or error}).")


def render_pages(path: Path, folder: Path) -> list[Path]:
    """The work of `take_out_pages`, in this process; ImportError without pypdfium2."""
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(path)
        count = len(document)
    except pypdfium2.PdfiumError as error:
        locked = "password" in str(error).lower()
        why = "is locked by a password" if locked else "the PDF is damaged and cannot be opened"
        raise PageError(path, f"{why}.") from None
    if not 0 < count <= MAX_PDF_PAGES:
        raise PageError(path, f"holds {count} pages; 1 to {MAX_PDF_PAGES} are read.")
    made = []
    for number in range(count):
        name = path.stem if count == 1 else f"{path.stem}-p{number + 1:02d}"
        target = folder / f"{name}.png"
        if not target.is_file():
            _write_page(path, document[number], number + 1, target)
        made.append(target)
    return made


def _write_page(path: Path, page: Any, number: int, target: Path) -> None:
    dpi = _resolution(page)
    width, height = (side * dpi / POINTS_PER_INCH for side in page.get_size())
    most = min(MAX_PIXELS, MAX_READING_BYTES // BYTES_PER_RENDERED_PIXEL)
    if width * height > most:
        size = f"{width:.0f} x {height:.0f} px; at most {most // 1_000_000} megapixels are read"
        raise PageError(path, f"page {number} is too large ({size}).")
    picture: Image.Image = page.render(scale=dpi / POINTS_PER_INCH).to_pil()
    with atomic_write(target) as draft:
        picture.convert("RGB").save(draft, "PNG", dpi=(dpi, dpi), compress_level=1)


def _resolution(page: Any) -> float:
    """Pixels per inch of the one picture that fills the page; else `DEFAULT_DPI`."""
    import pypdfium2.raw

    width, height = page.get_size()
    pictures = list(page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]))
    if len(pictures) != 1:
        return float(DEFAULT_DPI)
    x0, y0, x1, y1 = pictures[0].get_bounds()
    if (x1 - x0) * (y1 - y0) < _FULL_PAGE_SHARE * width * height:
        return float(DEFAULT_DPI)
    longer = max(pictures[0].get_px_size())
    return float(POINTS_PER_INCH * longer / max(x1 - x0, y1 - y0))
