"""PAGE-XML and ALTO: lines with their text, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.scans.add import ScanSource, add_scans
from crownlet.datasets.scans.imports import read_written_page, strip_points, written_complaints
from crownlet.datasets.scribal.texts import read_portion

# Written after the PAGE schema of 2019-07-15 (primaresearch.org), reading order out of file order.
PAGE = """<?xml version="1.0" encoding="UTF-8"?>
<PcGts xmlns="http://schema.primaresearch.org/PAGE/gts/pagecontent/2019-07-15">
 <Metadata><Creator>test</Creator></Metadata>
 <Page imageFilename="leaf 1.png" imageWidth="120" imageHeight="80">
  <ReadingOrder><OrderedGroup id="g">
   <RegionRefIndexed index="1" regionRef="r1"/><RegionRefIndexed index="0" regionRef="r2"/>
  </OrderedGroup></ReadingOrder>
  <TextRegion id="r1"><Coords points="0,40 120,40 120,80 0,80"/>
   <TextLine id="l2"><Coords points="5,45 110,45 110,60 5,60"/>
    <TextEquiv index="1"><Unicode>טעות</Unicode></TextEquiv>
    <TextEquiv index="0"><Unicode>בְּרֵאשִׁ֖ית</Unicode></TextEquiv></TextLine></TextRegion>
  <TextRegion id="r2"><Coords points="0,0 120,0 120,40 0,40"/>
   <TextLine id="l1"><Coords points="5,5 110,5 110,20 5,20"/>
    <Word id="w1"><TextEquiv><Unicode>כל</Unicode></TextEquiv></Word>
    <Word id="w2"><TextEquiv><Unicode>הארץ</Unicode></TextEquiv></Word></TextLine></TextRegion>
 </Page>
</PcGts>"""

# Written after the ALTO schema 4 of the Library of Congress (loc.gov/standards/alto).
ALTO = """<?xml version="1.0" encoding="UTF-8"?>
<alto xmlns="http://www.loc.gov/standards/alto/ns-v4#">
 <Description><MeasurementUnit>pixel</MeasurementUnit>
  <sourceImageInformation><fileName>leaf 1.png</fileName></sourceImageInformation></Description>
 <Layout><Page ID="p" WIDTH="120" HEIGHT="80" PHYSICAL_IMG_NR="1"><PrintSpace><TextBlock ID="b">
  <TextLine ID="l1" HPOS="5" VPOS="5" WIDTH="105" HEIGHT="15">
   <String CONTENT="כל"/><SP/><String CONTENT="הארץ"/></TextLine>
  <TextLine ID="l2" HPOS="5" VPOS="45" WIDTH="105" HEIGHT="15">
   <String CONTENT="בראשית"/></TextLine>
 </TextBlock></PrintSpace></Page></Layout>
</alto>"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    noise = np.random.default_rng(0).integers(0, 255, (80, 120), np.uint8)
    Image.fromarray(noise).save(tmp_path / "leaf 1.png")
    (tmp_path / "page.xml").write_text(PAGE, "utf-8")
    (tmp_path / "alto.xml").write_text(ALTO, "utf-8")
    return tmp_path


@pytest.mark.parametrize("name", ["page.xml", "alto.xml"])
def test_lines_come_in_reading_order_with_bare_letters(folder: Path, name: str) -> None:
    page = read_written_page(folder / name)
    assert (page.picture, page.size) == ("leaf 1.png", (120, 80))
    assert page.text == "כל הארץ\nבראשית\n"
    assert [line.box for line in page.lines] == [(5, 5, 110, 20), (5, 45, 110, 60)]
    assert written_complaints(page, name, (120, 80)) == []


@pytest.mark.parametrize("name", ["page.xml", "alto.xml"])
def test_their_text_is_kept_beside_the_scan(folder: Path, name: str) -> None:
    source = ScanSource([folder / "leaf 1.png"], "train", "noise", [folder / name], scroll="s")
    manifest, wrong = add_scans(folder / "set", source)
    assert wrong == []
    (scan,) = manifest.scans
    assert scan.labels is None
    assert read_portion(folder / "set" / str(scan.text)).letters == "כלהארץבראשית"


def test_points_and_accents_go_and_maqaf_parts_words() -> None:
    assert strip_points("עַל־כֵּ֛ן") == "על כן"  # Genesis 2:24
    assert strip_points("  א\t ב ") == "א ב"


def test_wrong_lines_are_named(folder: Path) -> None:
    for old, new in (
        ("כל", "כl"), ('id="l2"', 'id="l1"'), ("5,45 110", "5,45 910"), ('Width="120"', 'Width="9"')
    ):  # fmt: skip
        text = (folder / "page.xml").read_text("utf-8").replace(old, new, 1)
        (folder / "page.xml").write_text(text, "utf-8")
    source = ScanSource(
        [folder / "leaf 1.png"], "train", "noise", [folder / "page.xml"], scroll="s"
    )
    manifest, wrong = add_scans(folder / "set", source)
    assert manifest.version == 0 and not (folder / "set").exists()
    reasons = [str(complaint).split("page.xml: ")[-1] for complaint in wrong]
    assert reasons == [
        "page leaf 1.png: is said to be 9 x 80 px, it is 120 x 80",
        "line l1: U+006C is not one of the 27 letters",
        "line l1: its id is given twice",
        "line l1: its box lies outside the picture of 120 x 80 px",
    ]


BOMB = '<!DOCTYPE a [<!ENTITY b "ha"><!ENTITY c "&b;&b;&b;">]><PcGts>&c;</PcGts>'
FILE = '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><PcGts>&x;</PcGts>'


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (BOMB.encode(), "has a DOCTYPE"),
        (FILE.encode(), "has a DOCTYPE"),
        (('<?xml version="1.0" encoding="UTF-16"?>' + BOMB).encode("utf-16"), "has a DOCTYPE"),
        (b"<a>" * 5000, "is nested more than"),
        (b"<PcGts>", "is not XML"),
        (b"\x00\xff", "is not XML"),
        (b"", "is not XML"),
        (b"<html/>", "is neither PAGE-XML nor ALTO"),
        (b"<PcGts/>", "holds 0 pages"),
    ],
)
def test_strange_xml_is_refused(tmp_path: Path, data: bytes, why: str) -> None:
    path = tmp_path / "x.xml"
    path.write_bytes(data)
    with pytest.raises(LabelError, match=why):
        read_written_page(path)
