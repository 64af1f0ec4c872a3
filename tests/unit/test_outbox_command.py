from __future__ import annotations

import io
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dooryard.cli import outbox
from dooryard.cli.main import main
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.outbox.own import DATABASE
from dooryard.outbox.schedule import Delivery, DeliveryState
from dooryard.outbox.store import Store
from unit.outbox.builders import MONO_S, START, alert

REFUSED, WAITING, SENT = alert(1), alert(2, title="tw\no\x1b[2J"), alert(3, None, ("phone", "post"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store that a service holds open, with one alert refused, one waiting, one sent to half its sinks."""
    store = Store.open(tmp_path / "state", FakeClock(START, MONO_S))
    for each in (REFUSED, WAITING, SENT, alert(4, clock_set=False)):
        store.add_alert(each)
    delivery = Delivery(
        REFUSED.id, "phone", 1, MONO_S, MONO_S, DeliveryState.REFUSED, attempts=2, maybe=1, answer="HTTP 410"
    )
    store.mark(delivery, MONO_S)
    store.mark(replace(delivery, alert=SENT.id, state=DeliveryState.SENT, answer="HTTP 204"), MONO_S)
    yield store
    store.close()


def listed(store: Store, **options: Any) -> list[dict[str, object]]:
    out = io.StringIO()
    assert outbox.listing(store.folder, out, as_json=True, **options) == 0
    return json.loads(out.getvalue())


def test_a_table_of_what_was_not_told(store: Store) -> None:
    out = io.StringIO()
    outbox.listing(store.folder, out)
    lines = out.getvalue().splitlines()
    assert lines[0].split() == ["alert", "sink", "state", "when", "tries", "title", "answer"]
    assert [line.split()[:3] for line in lines[1:]] == [
        [REFUSED.id, "phone", "refused"],
        [WAITING.id, "phone", "waiting"],
        [SENT.id, "post", "waiting"],
        [alert(4).id, "phone", "waiting"],
    ]
    assert "2026-06-14 13:01 UTC" in lines[1]
    assert "2 (1 maybe arrived)" in lines[1]
    assert lines[1].endswith("HTTP 410")
    assert "clock not set" in lines[4]
    assert all(line.isprintable() for line in lines)


def test_json_has_all_of_it(store: Store) -> None:
    assert listed(store)[0] == {
        "alert": REFUSED.id,
        "sink": "phone",
        "state": "refused",
        "kind": "box",
        "title": REFUSED.title,
        "wall": "2026-06-14T13:01:00.000000+00:00",
        "clock_set": True,
        "attempts": 2,
        "maybe": 1,
        "answer": "HTTP 410",
        "instead_of": "",
    }
    assert [each["sink"] for each in listed(store, sink="post")] == ["post"]
    assert {each["state"] for each in listed(store, everything=True)} == {"refused", "waiting", "sent"}
    assert [each["alert"] for each in listed(store, limit=1)] == [alert(4).id]


def test_an_empty_outbox_is_said(tmp_path: Path) -> None:
    store = Store.open(tmp_path, FakeClock(START, MONO_S))
    out = io.StringIO()
    outbox.listing(tmp_path, out)
    assert out.getvalue() == "Nothing waits, and nothing was set aside.\n"
    assert listed(store) == []
    store.close()


def test_retry_begins_again(store: Store) -> None:
    out = io.StringIO()
    outbox.retry(store.folder, [REFUSED.id], out)
    assert out.getvalue().startswith("1 delivery will be tried again: ")
    (again,) = [each for each in store.pending("phone") if each.alert == REFUSED.id]
    assert (again.attempts, again.wait_s, again.age_s) == (0, 0.0, 0.0)


def test_what_was_sent_is_not_sent_again(store: Store) -> None:
    with pytest.raises(ConfigError, match="no unsent alert"):
        outbox.retry(store.folder, [SENT.id], io.StringIO(), sink="phone")
    outbox.retry(store.folder, [SENT.id], io.StringIO())
    assert store.counts()["phone"]["sent"] == 1


@pytest.mark.parametrize("yes", ["yes", "Y ", "y"])
def test_drop_asks_first(store: Store, yes: str) -> None:
    out, asked = io.StringIO(), []

    def ask(question: str) -> str:
        asked.append(question)
        return yes

    outbox.drop(store.folder, ["all"], out, ask, sink="phone")
    assert asked == ["Drop 3 deliveries? What is dropped is never sent. Type yes to do it: "]
    assert out.getvalue() == "3 deliveries dropped.\n"
    assert store.counts() == {"phone": {"sent": 1, "dropped": 3}, "post": {"waiting": 1}}
    outbox.drop(store.folder, ["all"], out, ask, sink="phone")
    assert "nothing to drop" in out.getvalue()


@pytest.mark.parametrize("answer", ["", "no", "all", "yess"])
def test_anything_but_yes_drops_nothing(store: Store, answer: str) -> None:
    out = io.StringIO()
    outbox.drop(store.folder, [WAITING.id], out, lambda _: answer)
    assert out.getvalue() == "Nothing was dropped.\n"
    assert store.counts()["phone"] == {"sent": 1, "refused": 1, "waiting": 2}


def test_sure_asks_nothing(store: Store) -> None:
    def ask(question: str) -> str:
        raise AssertionError(question)

    outbox.drop(store.folder, [WAITING.id[:20]], io.StringIO(), ask, sure=True)
    assert store.counts()["phone"]["dropped"] == 1


@pytest.mark.parametrize(
    ("wanted", "words"), [("ffff-unknown", "no unsent alert"), ("0", "no unsent alert"), ("019e", "several")]
)
def test_an_id_that_names_no_one_alert_is_an_error(store: Store, wanted: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        outbox.retry(store.folder, [wanted], io.StringIO())


def test_a_store_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        outbox.listing(tmp_path, io.StringIO())
    (tmp_path / DATABASE).write_bytes(b"gibberish" * 1000)
    with pytest.raises(StoreError, match="damaged"):
        outbox.listing(tmp_path, io.StringIO())
    (tmp_path / DATABASE).unlink()
    with sqlite3.connect(tmp_path / DATABASE) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StoreError, match="newer program"):
        outbox.listing(tmp_path, io.StringIO())


def test_it_works_beside_a_running_service(store: Store) -> None:
    """The running service keeps its lock; the command needs none."""
    with pytest.raises(Exception, match="already works in"):
        Store.open(store.folder, FakeClock(START, MONO_S))
    assert len(listed(store)) == 4


def test_times_are_those_of_the_place(store: Store) -> None:
    out = io.StringIO()
    outbox.listing(store.folder, out, zone=ZoneInfo("Europe/London"))
    assert "2026-06-14 14:01 BST" in out.getvalue().splitlines()[1]


def test_a_sink_that_the_box_does_not_have(store: Store) -> None:
    has = frozenset({"phone", "desk"})
    out = io.StringIO()
    with pytest.raises(ConfigError, match='no sink "fone"; it has: desk, phone'):
        outbox.listing(store.folder, out, sink="fone", sinks=has)
    with pytest.raises(ConfigError, match='no sink "fone"'):
        outbox.retry(store.folder, ["all"], out, sink="fone", sinks=has)
    with pytest.raises(ConfigError, match='no sink "fone"'):
        outbox.drop(store.folder, ["all"], out, input, sink="fone", sinks=has, sure=True)
    assert out.getvalue() == ""
    # The box had "post" when its alert came: what waits for it can still be seen and dropped.
    assert [each["sink"] for each in listed(store, sink="post", sinks=has)] == ["post"]
    assert listed(store, sink="desk", sinks=has) == []


def test_a_state_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("")
    with pytest.raises(StoreError, match="is a file\n  to do: name another state_folder"):
        outbox.listing(tmp_path / "state", io.StringIO())


def test_the_command_line(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    box, rules = store.folder.parent / "box.toml", store.folder.parent / "policy.toml"
    box.write_text('[[sink]]\nkind = "memory"\nname = "phone"\n')
    rules.write_text('[place]\ntime_zone = "Europe/London"\n')
    words = ["outbox", "--box", str(box), "--policy", str(rules)]
    assert main(words) == 0
    assert "2026-06-14 14:01 BST" in capsys.readouterr().out
    assert main([*words, "--sink", "fone"]) == ConfigError.exit_code
    assert "it has: phone" in capsys.readouterr().err
    with pytest.raises(SystemExit) as caught:
        main([*words, "--retry", "all", "--drop", "all"])
    assert caught.value.code == 2
    assert "not allowed with argument" in capsys.readouterr().err


def test_one_that_is_told_in_the_place_of_another_is_shown(store: Store) -> None:
    store.pass_on([WAITING.id], "phone", "hut")
    out = io.StringIO()
    outbox.listing(store.folder, out)
    (line,) = [line for line in out.getvalue().splitlines() if "hut" in line]
    assert line.split()[:5] == [WAITING.id, "hut", "(instead", "of", "phone)"]
    (shown,) = [each for each in listed(store) if each["sink"] == "hut"]
    assert (shown["alert"], shown["state"], shown["instead_of"]) == (WAITING.id, "waiting", "phone")
