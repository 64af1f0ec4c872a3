"""The build: what stands on the pages, what is made again, and that nothing is ever half there."""

from __future__ import annotations

import contextlib
import errno
import html
import io
import os
import re
import shutil
import sqlite3
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from PIL import ExifTags, Image

from dooryard.core.atomic_files import FileCalls
from dooryard.core.errors import AlreadyRunningError, StoreError
from dooryard.core.records import Outcome
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase
from dooryard.imaging.xmp import labelled
from dooryard.journal.build import build
from dooryard.journal.files import held
from dooryard.journal.phrases import labels
from fakes.xmp_packets import xmp_packet
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, SQUIRREL, WICKED

TELL, HOLD, SILENT = Outcome.TELL, Outcome.HOLD, Outcome.SILENT
DAY = timedelta(days=1)
AT_840 = NOON - timedelta(hours=3, minutes=20)  # 8:40 at Alder Row
EVENING = NOON + timedelta(hours=8)


class Links(HTMLParser):
    def __init__(self, source: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.ids: set[str] = set()
        self.feed(source)

    def handle_starttag(self, tag, attrs):
        for name, value in attrs:
            if name in ("href", "src") and not value.startswith("data:"):
                self.found.append(value)
            if name == "id":
                assert value not in self.ids, f"id {value} twice"
                self.ids.add(value)


def built(row, now=EVENING, **more):
    return build(row.state, row.site, POLICY, now, box="alder-row", **more)


def text(row, page):
    """A page as a person reads it."""
    source = (row.site / page).read_text()
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", source)))


def reached(site):
    """All pages that a reader comes to from the first one."""
    found, ahead = set(), [site / "index.html"]
    while ahead:
        page = ahead.pop().resolve()
        if page in found or page.suffix != ".html" or not page.is_file():
            continue
        found.add(page)
        ahead += [page.parent / link.partition("#")[0] for link in Links(page.read_text()).found]
    return found


def broken_links(site, only=None):
    """Links and pictures that lead to nothing, over all pages, or over `only` some."""
    pages = {page: Links(page.read_text()) for page in only or site.rglob("*.html")}
    broken = []
    for page, links in pages.items():
        for link in links.found:
            path, _, anchor = link.partition("#")
            target = (page.parent / path).resolve() if path else page.resolve()
            if not target.is_file() or (anchor and anchor not in Links(target.read_text()).ids):
                broken.append(f"{page.name}: {link}")
    return broken


def test_the_day_page_tells_who_came_at_8_40_how_sure_and_what_was_held_back(row):
    row.add((AT_840, FINCH, TELL), (AT_840 + timedelta(minutes=2), SQUIRREL, SILENT))
    built(row)
    read = text(row, "day/2026-06-14.html")
    assert "Sunday, 14 June 2026" in read
    assert "08:40 House finch" in read
    assert "84 % sure at the end , stayed 20 s" in read
    assert "Sent to phone" in read
    held_back = read[read.index("What was held back") :]
    assert "08:42, Squirrel : not sent: cooldown of 4 min has 1 min 39 s left" in held_back
    assert "Sunrise 04:46" in read
    assert "Watched 13 hours until 20:00" not in read  # the watch hours end at 20:00: the day is over
    assert "First visit 3 h 54 min after sunrise" in read


def test_every_link_and_picture_is_there(row):
    row.add((AT_840, FINCH, TELL), (NOON, BIRD, TELL), (NOON + DAY, SQUIRREL, HOLD))
    row.add((NOON + 2 * DAY, WICKED, TELL), picture=False)
    row.add((NOON, BIRD, TELL), clock_set=False)
    built(row, EVENING + 3 * DAY)
    assert broken_links(row.site) == []


def test_a_visitor_named_script_is_shown_as_text(row):
    row.add((NOON, WICKED, TELL))
    built(row)
    for page in row.site.rglob("*.html"):
        assert "<script" not in page.read_text().lower(), page
    shown = html.unescape((row.site / "day/2026-06-14.html").read_text())
    assert '<script>alert("x")</script>' in shown
    assert b"<script>" not in (row.site / "feed.xml").read_bytes()


def test_a_second_build_writes_nothing(row):
    row.add((AT_840, FINCH, TELL), (NOON, BIRD, TELL))
    built(row)
    again = built(row, EVENING + timedelta(minutes=5))
    assert (again.pages, again.pictures, again.removed) == ([], 0, [])


def test_a_new_visit_touches_only_what_it_must(row):
    row.add(*[(NOON - n * DAY, FINCH if n % 2 else BIRD, TELL) for n in range(20)])
    built(row)
    row.add((NOON + timedelta(hours=1), SQUIRREL, SILENT))
    again = built(row)
    assert sorted(again.pages) == [
        "calendar-2026.html", "day/2026-06-14.html", "feed.xml", "held-back.html", "index.html",
        "visitor/squirrel.html",
    ]  # fmt: skip
    assert again.pictures == 1


def test_a_page_that_went_missing_is_made_again(row):
    row.add((NOON, FINCH, TELL))
    built(row)
    (row.site / "day/2026-06-14.html").unlink()
    assert built(row).pages == ["day/2026-06-14.html"]
    (row.site / ".journal.json").write_text("{ not json")
    assert "index.html" in built(row).pages


def test_when_keeping_has_taken_pictures_pages_do_without(row):
    row.add((NOON, FINCH, TELL), (NOON + DAY, FINCH, TELL))
    built(row)
    for picture in (row.state / "pictures").rglob("*.jpg"):
        picture.unlink()
        break
    built(row)
    assert broken_links(row.site) == []
    assert len(list(row.site.glob("pictures/*/*.jpg"))) == 1
    pages = [text(row, f"day/2026-06-1{n}.html") for n in (4, 5)]
    assert sum("No picture is kept of this visit." in page for page in pages) == 1


def test_when_keeping_has_taken_visits_their_pages_go_too(row):
    row.add((NOON - 100 * DAY, SQUIRREL, TELL), (NOON, FINCH, TELL))
    built(row)
    store = row.store()
    store._engine._db.execute("UPDATE deliveries SET state = 'sent'")
    store.upkeep(60, 10**9, EVENING)
    store.close()
    removed = built(row).removed
    assert "day/2026-03-06.html" in removed
    assert "visitor/squirrel.html" in removed
    assert broken_links(row.site) == []
    assert [folder.name for folder in (row.site / "small").iterdir()] == ["2026-06-14"]


def test_a_picture_that_cannot_be_opened_is_done_without_and_said(row):
    row.add((NOON, FINCH, TELL))
    [picture] = (row.state / "pictures").rglob("*.jpg")
    picture.write_bytes(b"\xff\xd8 not a picture")
    first = built(row)
    assert len(first.unreadable) == 1
    assert broken_links(row.site) == []
    assert "No picture is kept" in text(row, "day/2026-06-14.html")
    assert built(row).pages == []


def test_pictures_carry_time_and_name_and_no_position(row):
    row.add((NOON, FINCH, TELL))
    [stored] = (row.state / "pictures").rglob("*.jpg")
    exif = Image.Exif()
    exif[ExifTags.IFD.Exif] = {ExifTags.Base.DateTimeOriginal: "2026:06:14 11:00:00"}
    out = io.BytesIO()
    with Image.open(stored) as picture:
        picture.save(out, "JPEG", exif=exif)
    stored.write_bytes(out.getvalue())
    built(row)
    [large] = row.site.glob("pictures/2026-06-14/*-house-finch.jpg")
    with Image.open(large) as picture:
        assert picture.size == (640, 480)
        times = picture.getexif().get_ifd(ExifTags.IFD.Exif)
        assert times[ExifTags.Base.DateTimeOriginal] == "2026:06:14 11:00:00"
        assert b"House finch" in xmp_packet(picture)
        assert not picture.getexif().get_ifd(ExifTags.IFD.GPSInfo)
    assert b"GPS" not in large.read_bytes()
    [small] = row.site.glob("small/2026-06-14/*.jpg")
    with Image.open(small) as picture:
        assert picture.size == (640, 480)  # as light as it is, it needs no smaller one
        assert not picture.getexif()
        assert xmp_packet(picture) is None
    assert large.stat().st_size > small.stat().st_size


def test_marks_change_pages_and_the_name_in_the_picture(row):
    [one, two, three] = row.add((AT_840, FINCH, TELL), (NOON, BIRD, TELL), (EVENING, BIRD, TELL))
    built(row)
    marks.make(row.state, one, "nobody", NOON)
    marks.make(row.state, two, "Wren", NOON, group_of={"wren": "bird"})
    marks.make(row.state, three, "hide", NOON)
    built(row, EVENING + timedelta(hours=1))
    read = text(row, "day/2026-06-14.html")
    assert "1 visit by 1 kind of visitor." in read
    assert "08:40 Nobody" in read
    assert "Nobody was there. The box had said: a house finch, 84 % sure." in read
    assert "12:00 Wren" in read
    assert "The box had said: a bird, species not sure, 97 % sure." in read
    assert "1 visit is hidden from the journal by the owner." in read
    assert "20:00" not in read[read.index("Visits ") :].replace("Watched", "")
    assert not (row.site / "visitor/house-finch.html").exists()
    names = {path.name.rsplit("-", 1)[-1] for path in row.site.glob("pictures/2026-06-14/*.jpg")}
    assert names == {"nobody.jpg", "wren.jpg"}
    assert broken_links(row.site) == []
    assert "Of 2 visits that people marked, the box was right about 1 (50 %" in text(row, "index.html")
    marks.make(row.state, three, "undo", NOON)
    built(row, EVENING + timedelta(hours=1))
    assert "hidden" not in text(row, "day/2026-06-14.html")


def test_times_off_temperatures_and_what_the_gate_held_stand_on_the_day(row):
    row.add((AT_840, FINCH, TELL))
    database = AnnotationDatabase(row.state)
    database.off(NOON, NOON + timedelta(hours=4), "heat")
    database.reading(NOON, "enclosure", 61.4)
    database.reading(AT_840, "enclosure", 24.0)
    database.held(NOON.date(), "sway", 212)
    database.close()
    built(row, EVENING + DAY)
    read = text(row, "day/2026-06-14.html")
    assert "Watched 10 hours" in read
    assert "Visits an hour of watching 0.1 " in read
    assert "Temperature, enclosure 24 to 61 °C" in read
    assert "Off 12:00 to 16:00: heat" in read
    assert "sway: 212" in read


def test_a_first_short_run_has_no_rate_and_says_since_when_it_watches(row):
    row.add((NOON, FINCH, TELL))
    store = row.store()
    store.save_states({"last_frame": (NOON + timedelta(minutes=4, seconds=30)).isoformat().encode()})
    store.close()
    database = AnnotationDatabase(row.state)
    database.off(NOON - timedelta(hours=12), NOON, "not yet begun")
    database.close()
    built(row)  # hours after its last frame
    read = text(row, "day/2026-06-14.html")
    assert "Watched 4 min until 12:04" in read
    assert "Visits an hour of watching not watched long enough for a rate" in read
    assert "Not watched 00:00 to 12:00: before the box was set up" in read
    assert "not yet begun" not in read
    built(row, EVENING + 3 * DAY)  # the days since are not watched either
    assert "not watched long enough for a rate" in text(row, "visitor/house-finch.html")


def test_a_time_off_that_goes_on_stands_on_the_day_and_is_not_watched(row):
    row.add((AT_840, FINCH, TELL))
    database = AnnotationDatabase(row.state)
    database.off_since(NOON, "heat")
    built(row, NOON + timedelta(hours=2))
    assert "Off since 12:00: heat" in text(row, "day/2026-06-14.html")
    assert "Watched 6 hours until 14:00" in text(row, "day/2026-06-14.html")
    assert built(row, NOON + timedelta(hours=3)).pages == []  # only the hour is another
    built(row, NOON + DAY)
    assert "Off 12:00 to 00:00: heat" in text(row, "day/2026-06-14.html")
    assert "Watched 6 hours" in text(row, "day/2026-06-14.html")
    database.close()


def label_as_the_box_does(row, who=FINCH):
    """The store's pictures as the box writes them: with their label inside."""
    for stored in (row.state / "pictures").rglob("*.jpg"):
        stored.write_bytes(labelled(stored.read_bytes(), *labels(who, POLICY.place.name)))


def test_a_picture_whose_label_stands_takes_no_room_a_second_time(row):
    [one] = row.add((NOON, FINCH, TELL))
    label_as_the_box_does(row)
    [stored] = (row.state / "pictures").rglob("*.jpg")
    before = stored.read_bytes()
    built(row)
    [large] = row.site.glob("pictures/2026-06-14/*-house-finch.jpg")
    assert large.samefile(stored)
    marks.make(row.state, one, "wren", NOON)
    built(row)
    [large] = row.site.glob("pictures/2026-06-14/*.jpg")
    assert not large.samefile(stored)  # with another name inside it is another file
    assert b"Wren" in large.read_bytes()
    assert stored.read_bytes() == before
    marks.make(row.state, one, "undo", NOON)
    built(row)
    stored.unlink()  # keeping took it
    [large] = row.site.glob("pictures/2026-06-14/*.jpg")
    assert large.read_bytes() == before  # whole until the next build ...
    built(row)
    assert list(row.site.glob("pictures/**/*.jpg")) == []  # ... which takes it, so that room is won
    assert broken_links(row.site) == []


def test_with_a_position_or_where_links_cannot_be_had_it_is_copied(row):
    row.add((NOON, FINCH, TELL))
    label_as_the_box_does(row)
    [stored] = (row.state / "pictures").rglob("*.jpg")

    class NoLinks(FileCalls):
        def link(self, old, new):
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

    built(row, disk=NoLinks())
    [large] = row.site.glob("pictures/2026-06-14/*.jpg")
    assert not large.samefile(stored)
    assert large.read_bytes() == stored.read_bytes()
    shutil.rmtree(row.site)
    built(row, position=(51.75, -1.26))
    [large] = row.site.glob("pictures/2026-06-14/*.jpg")
    assert b"GPSLatitude" in large.read_bytes()
    assert b"GPSLatitude" not in stored.read_bytes()


def test_how_sure_it_was_when_it_told_and_at_the_end(row):
    [one, two] = row.add((NOON, FINCH, TELL), (NOON + timedelta(minutes=5), FINCH, TELL))
    with contextlib.closing(sqlite3.connect(row.state / "dooryard.sqlite3")) as db, db:
        db.execute("UPDATE visits SET sure = 0.93 WHERE id = ?", (one,))
        db.execute(
            "UPDATE visits SET species = NULL, scientific = NULL, sure = 0.97, end_wall = NULL WHERE id = ?",
            (two,),
        )
    built(row)
    read = text(row, "day/2026-06-14.html")
    assert "93 % sure at the end; 84 % when decided , stayed 20 s" in read
    assert "97 % sure so far; a house finch, 84 % when decided , has stayed 20 s" in read


def test_link_previews_have_whole_addresses(row):
    row.add((NOON, FINCH, TELL))
    built(row, base_url="https://alder-row.example/journal")
    source = (row.site / "day/2026-06-14.html").read_text()
    assert (
        '<meta property="og:url" content="https://alder-row.example/journal/day/2026-06-14.html">' in source
    )
    [image] = re.findall(r'og:image" content="https://alder-row.example/journal/([^"]+)"', source)
    assert (row.site / image).is_file()
    assert 'og:title" content="14 June 2026 at Alder Row"' in source


def test_an_empty_store_makes_a_journal_too(row):
    row.add()
    built(row)
    assert "No visits yet" in text(row, "index.html")
    assert broken_links(row.site) == []


def test_a_folder_with_other_files_is_left_alone(row):
    row.add((NOON, FINCH, TELL))
    row.site.mkdir()
    (row.site / "index.html").write_text("mine")
    with pytest.raises(StoreError, match="are not the journal's"):
        built(row)
    assert (row.site / "index.html").read_text() == "mine"


def test_two_builders_do_not_get_in_each_others_way(row):
    row.add((NOON, FINCH, TELL))
    with held(row.site), pytest.raises(AlreadyRunningError):
        built(row)
    built(row)


def test_without_a_store_it_says_what_to_do(row):
    row.state.mkdir()
    with pytest.raises(StoreError, match="there is no store"):
        built(row)


class Stopped(BaseException):
    """Stands for the process being killed."""


class StoppingDisk(FileCalls):
    """Stops at the `at`-th rename: nothing after it happens."""

    def __init__(self, at: int) -> None:
        self.left = at

    def rename(self, old, new):
        if self.left == 0:
            raise Stopped
        self.left -= 1
        super().rename(old, new)

    def link(self, old, new):
        if self.left == 0:
            raise Stopped
        self.left -= 1
        super().link(old, new)


@pytest.mark.parametrize("at", range(14))
def test_killed_at_any_rename_a_reader_sees_whole_pages_and_the_next_build_ends_the_work(row, at):
    row.add((AT_840, FINCH, TELL), (NOON, BIRD, TELL))
    built(row)
    row.add((EVENING, SQUIRREL, TELL))
    try:
        built(row, EVENING + timedelta(hours=1), disk=StoppingDisk(at))
    except Stopped:
        for page in row.site.rglob("*.html"):
            assert page.read_text().rstrip().endswith("</html>")
        assert broken_links(row.site, reached(row.site)) == []
    built(row, EVENING + timedelta(hours=1))
    assert "20:00 Squirrel" in text(row, "day/2026-06-14.html")
    assert not list(row.site.rglob("*.tmp"))
