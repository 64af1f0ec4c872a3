"""Feed, pages and shares against outside sources.

* The Atom feed (RFC 4287): read by PyPI `feedparser`, and the RFC's rules on required elements one by one.
* HTML: parsed by PyPI `html5lib` in strict mode, the algorithm of the HTML standard, which raises on every
  parse error.
* XMP in JPEGs (ISO 16684-1): read back by Pillow, and its RDF by the standard library's XML parser.
* Wilson's interval: scipy's `binomtest`, and the worked examples of R. G. Newcombe, "Two-sided confidence
  intervals for the single proportion", Statistics in Medicine 17 (1998) 857-872, table I, method 3 (figures
  from memory; scipy confirms them).
"""

from __future__ import annotations

import io
import re
from datetime import datetime, timedelta
from xml.etree import ElementTree as ET

import html5lib
import pytest
from PIL import Image

from dooryard.core.records import Outcome
from dooryard.history.annotations import make
from dooryard.imaging.xmp import labelled
from dooryard.journal import page_source
from dooryard.journal.build import build, site_of
from dooryard.journal.feed import feed
from dooryard.journal.forms import marks_html
from dooryard.journal.render import Forms
from dooryard.journal.tally import wilson
from dooryard.journal.writing import day_html
from fakes.xmp_packets import xmp_packet
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, WICKED, ZONE, AlderRow, entry, jpeg

ATOM = "{http://www.w3.org/2005/Atom}"
feedparser = pytest.importorskip("feedparser", reason="PyPI feedparser is not installed")
stats = pytest.importorskip("scipy.stats", reason="scipy is not installed")


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_against_newcombe(successes, trials, low, high):
    assert wilson(successes, trials) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(("successes", "trials"), [(0, 1), (1, 1), (3, 7), (50, 50), (12, 13), (999, 2000)])
def test_wilson_against_scipy(successes, trials):
    theirs = stats.binomtest(successes, trials).proportion_ci(method="wilson")
    assert wilson(successes, trials) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def a_feed(base_url="https://alder-row.example/journal/"):
    entries = [
        entry(2, at=NOON + timedelta(hours=1), told=WICKED, picture="2026/06/14/x.jpg"),
        entry(1, told=FINCH, outcome=Outcome.SILENT),
    ]
    return feed(entries, "Alder Row", ZONE, base_url, NOON)


def test_feedparser_reads_the_feed():
    read = feedparser.parse(io.BytesIO(a_feed()))
    assert not read.bozo, read.get("bozo_exception")
    assert read.version == "atom10"
    assert read.feed.title == "The journal of Alder Row"
    assert [each.title for each in read.entries][1] == "A house finch: Alder Row, 12:00"
    assert read.entries[1].published_parsed[:6] == (2026, 6, 14, 11, 0, 0)
    assert read.entries[0].enclosures[0].type == "image/jpeg"
    assert read.entries[0].link.startswith("https://alder-row.example/journal/day/2026-06-14.html#visit-")


@pytest.mark.parametrize("base_url", [None, "https://alder-row.example/journal/"])
def test_the_rules_of_rfc_4287(base_url):
    root = ET.fromstring(a_feed(base_url))
    for parent in (root, *root.findall(f"{ATOM}entry")):
        for name in ("id", "title", "updated"):  # 4.1.1 and 4.1.2: exactly one of each
            assert len(parent.findall(f"{ATOM}{name}")) == 1
        links = [
            (each.get("rel"), each.get("type"), each.get("hreflang"))
            for each in parent.findall(f"{ATOM}link")
        ]
        assert links.count(("alternate", "text/html", None)) == 1  # no two alternates of one type
    assert root.find(f"{ATOM}author/{ATOM}name").text  # 4.1.1: an author for all entries
    for date in [*root.iter(f"{ATOM}updated"), *root.iter(f"{ATOM}published")]:  # 3.3: RFC 3339
        assert datetime.fromisoformat(date.text).tzinfo is not None
    ids = [each.text for each in root.iter(f"{ATOM}id")]
    assert len(set(ids)) == len(ids)
    assert all(each.startswith("urn:uuid:") for each in ids)  # 4.2.6: an IRI


def test_a_feed_without_an_entry():
    read = feedparser.parse(io.BytesIO(feed([], "Alder Row", ZONE, None, NOON)))
    assert (read.bozo, read.entries, read.feed.updated_parsed[:4]) == (False, [], (2026, 6, 14, 11))


def test_pages_are_html(tmp_path):
    row = AlderRow(tmp_path)
    ids = row.add(
        (NOON, FINCH, Outcome.TELL),
        (NOON, WICKED, Outcome.SILENT),
        (NOON - timedelta(days=9), BIRD, Outcome.HOLD),
    )
    row.add((NOON, BIRD, Outcome.TELL), clock_set=False, picture=False)
    make(row.state, ids[0], "nobody", NOON)
    build(row.state, row.site, POLICY, NOON + timedelta(days=1))
    pages = {str(page.relative_to(row.site)): page.read_bytes() for page in row.site.rglob("*.html")}
    assert len(pages) == 9
    with page_source.opened(row.state, POLICY, NOON, site_of(POLICY, "box", None)) as source:
        source.look()
        pages["with forms"] = day_html(source, NOON.date(), Forms("token"))
        pages["marks"] = marks_html(source, Forms("token"))
    for name, source in pages.items():
        parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
        tree = parser.parse(source.decode())
        assert len(tree.findall(".//main")) == 1, name
        assert len(tree.findall(".//h1")) == 1, name
        assert all(picture.get("alt") is not None for picture in tree.iter("img")), name
        ids = [each.get("id") for each in tree.iter() if each.get("id")]
        assert len(ids) == len(set(ids)), name


def test_xmp_is_read_back_and_the_pixels_are_untouched():
    source = jpeg(3)
    out = labelled(source, 'a "wren" <at> Alder & Row', ["Wren", "Zaunkönig"], (51.752, -1.258))
    again = labelled(out, "another", ["Robin"])
    with Image.open(io.BytesIO(source)) as before, Image.open(io.BytesIO(out)) as after:
        assert before.tobytes() == after.tobytes()
        packet = xmp_packet(after)
    root = ET.fromstring(re.sub(rb"<\?xpacket.*?\?>", b"", packet))
    dc = "{http://purl.org/dc/elements/1.1/}"
    rdf = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
    assert [each.text for each in root.iterfind(f".//{dc}subject/{rdf}Bag/{rdf}li")] == ["Wren", "Zaunkönig"]
    assert root.find(f".//{dc}description/{rdf}Alt/{rdf}li").text == 'a "wren" <at> Alder & Row'
    assert root.find(".//{http://ns.adobe.com/exif/1.0/}GPSLatitude").text == "51,45.1200N"
    assert root.find(".//{http://ns.adobe.com/exif/1.0/}GPSLongitude").text == "1,15.4800W"
    assert again.count(b"http://ns.adobe.com/xap/1.0/") == 1
    assert b"GPS" not in again


@pytest.mark.parametrize("data", [b"", b"GIF89a", b"\xff\xd8\xff\xe0\x00\x04ab", b"\xff\xd8 not a picture"])
def test_what_is_no_jpeg_is_refused(data):
    with pytest.raises(ValueError, match="JPEG"):
        labelled(data, "a", ["b"])
