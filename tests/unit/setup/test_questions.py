"""How answers are read, and what is said of those that will not do."""

from __future__ import annotations

import pytest

from dooryard.setup import questions as q

KNOWN = {"bird": "bird", "squirrel": "squirrel", "fox": "fox", "red fox": "fox", "house finch": "bird"}


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("22:00-07:00", ("22:00", "07:00")),
        ("22:00 - 7:00", ("22:00", "07:00")),
        ("22:00 to 07:00", ("22:00", "07:00")),
        ("9:30–17:00", ("09:30", "17:00")),
        ("sunset-sunrise", ("sunset", "sunrise")),
        ("sunset+1h-sunrise-30min", ("sunset+1h", "sunrise-30min")),
        ("never", None),
        ("No", None),
    ],
)
def test_quiet_hours(text, answer):
    assert q.QUIET.read(text) == answer


@pytest.mark.parametrize(
    "text", ["22", "22:00", "25:00-07:00", "22.00-07.00", "tonight", "07:00-07:00", "22:00-"]
)
def test_wrong_quiet_hours_are_told_with_the_right_form(text):
    with pytest.raises(ValueError, match=r"write|HH:MM"):
        q.QUIET.read(text)


def test_whom_to_tell_of_takes_plurals_and_lists():
    read = q.tell(KNOWN).read
    assert read("Birds, foxes and squirrel") == ("bird", "fox", "squirrel")
    assert read("House Finch; birds") == ("house finch", "bird")
    assert read("everything") == ("anything",)
    assert read("bird, birds") == ("bird",)


@pytest.mark.parametrize(
    ("text", "hint"),
    [("squirel", 'did you mean "squirrel"'), ("dragon", "write some of"), (",", "write some of")],
)
def test_nobody_of_that_name(text, hint):
    with pytest.raises(ValueError, match=hint):
        q.tell(KNOWN).read(text)


def test_ways_out():
    assert q.TO.read("push, mail") == ("push", "mail")
    assert q.TO.read("mail and folder") == ("mail", "folder")
    assert q.TO.read("p") == ("push",)
    assert q.TO.read("nothing") == ()
    for text in ("pigeon", "nothing, push", ","):
        with pytest.raises(ValueError, match="write one"):
            q.TO.read(text)


def test_a_push_address_is_encrypted_or_of_this_machine():
    assert q.PUSH.read(" https://push.alder-row.example/t ") == "https://push.alder-row.example/t"
    assert q.PUSH.read("http://127.0.0.1:8080/t") == "http://127.0.0.1:8080/t"
    with pytest.raises(ValueError, match="https://"):
        q.PUSH.read("http://push.alder-row.example/t")
    with pytest.raises(ValueError, match="https://host/path"):
        q.PUSH.read("push.alder-row.example")
    with pytest.raises(ValueError, match="password"):
        q.PUSH.read("https://wren:x@push.alder-row.example/")


@pytest.mark.parametrize(
    ("question", "wrong"),
    [
        (q.NAME, "x" * 81), (q.NAME, " "), (q.TIME_ZONE, "Europe/Lodnon"),
        (q.SHAPE, "yaml"), (q.TOKEN, "a b"),
        (q.MAIL_TO, "wren"), (q.MAIL_HOST, "https://mail.example"), (q.MAIL_PORT, "0"), (q.MAIL_PORT, "smtp"),
        (q.MAIL_SECURITY, "ssl"), (q.CAMERA, "usb"), (q.PAGES, "/"), (q.SEND_TEST, "perhaps"),
    ],
)  # fmt: skip
def test_wrong_answers_are_refused(question, wrong):
    with pytest.raises(ValueError, match=r".{8}"):
        question.read(wrong)


def test_a_secret_does_not_print():
    secret = q.MAIL_PASSWORD.read("thistle")
    assert "thistle" not in repr(secret)
    assert secret.reveal() == "thistle"
    assert q.TOKEN.read("nothing") is None
