"""The tablet's store in a real Chromium: killed and opened again, in two tabs, and without room.

A killed browser is the nearest that a test comes to a tablet whose power fails; that the disk itself has what it said
it has (`durability: "strict"`) is the browser's promise.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import pytest
from playwright.sync_api import Page, Playwright

from tests.bench.static_server import StaticServer, static_server
from tests.browser.killable import PATIENCE_S, Chromium

OUTBOX: Final = """
  const { Outbox } = await import("/bench/offline/outbox.js");
  const { IndexedDbStore, askForPersistence } = await import("/bench/offline/store.js");
  const { aloneUnder } = await import("/bench/offline/alone.js");
  const { uuid7 } = await import("/bench/offline/uuid7.js");
  const store = new IndexedDbStore("outbox of a workshop");
  const at = Date.now();
  const receipt = (status) => ({ status, epoch: "first", at, retry_after_s: null, problem: null, body: {} });
  const network = {
    send: async (entry, { fields }) => fields.bad
      ? { ...receipt(422), problem: { type: "invalid" } }
      : receipt(201),
    ask: async () => receipt(200),
  };
  const clock = { now: Date.now, elapsed: () => performance.now() };
  const outbox = new Outbox({ store, network, clock, newId: uuid7, alone: aloneUnder("outbox") });
  const note = (fields, file = null) => outbox.add({ vehicle: "van", path: "/records/", fields, file });
"""
CONTENTS: Final = """
  const { records, sent, meta } = await store.change("all", (view) => ({ result: view }));
  const described = async (entry) => {
    const { fields, file } = await store.content(entry.id);
    return { id: entry.id, seq: entry.seq, state: entry.state, mark: fields.mark,
             picture: file && [...new Uint8Array(file.bytes)] };
  };
  return { records: await Promise.all(records.map(described)), sent: await Promise.all(sent.map(described)), meta };
"""


@pytest.fixture(scope="module")
def server() -> Iterator[StaticServer]:
    with static_server() as running:
        yield running


@pytest.fixture
def open_browser(playwright: Playwright, chromium_path: str, tmp_path: Path) -> Iterator[Callable[[], Chromium]]:
    """Open the tablet's browser, as often as wanted, always with the same profile."""
    with ExitStack() as stack:
        yield lambda: stack.enter_context(Chromium(playwright, chromium_path, tmp_path / "profile"))


@pytest.fixture
def address(server: StaticServer) -> str:
    server.told.clear()
    return f"{server.origin}/bench/offline/package.json"


def run(page: Page, script: str, argument: object = None) -> Any:
    """Run a script with an outbox in a tab."""
    return page.evaluate(f"async (argument) => {{ {OUTBOX} {script} }}", argument)


def start(page: Page, script: str) -> None:
    """Have a script run on by itself."""
    page.evaluate(f"() => {{ (async () => {{ {OUTBOX} {script} }})(); }}")


def wait_until(is_so: Callable[[], bool], page: Page) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < deadline
        page.wait_for_timeout(20)


def test_everything_is_there_when_the_browser_was_killed(open_browser: Callable[[], Chromium], address: str) -> None:
    first = open_browser()
    page = first.page(address)
    run(page, "await note({ mark: 'sent' }); await note({ mark: 'bad', bad: true }); await outbox.deliver();")
    picture = "{ name: 'a.jpg', type: 'image/jpeg', bytes: new Uint8Array([7, 8]).buffer }"
    run(page, f"await note({{ mark: 'with picture' }}, {picture});")
    run(page, "await outbox.intend({ vehicle: 'van', path: '/sign-off/', fields: { mark: 'signature' } });")
    before = run(page, CONTENTS)
    first.kill()
    page = open_browser().page(address)
    assert run(page, CONTENTS) == before
    assert [(each["mark"], each["state"], each["picture"]) for each in before["records"]] == [
        ("bad", "refused", None),
        ("with picture", "waiting", [7, 8]),
        ("signature", "to_sign", None),
    ]
    assert [each["mark"] for each in before["sent"]] == ["sent"]
    assert before["meta"]["epoch"] == "first"
    run(page, "await note({ mark: 'after' });")
    assert run(page, CONTENTS)["records"][-1]["seq"] == 5, "the order goes on where it was"


@pytest.mark.parametrize("enough", [3, 10, 40])
def test_what_was_said_to_be_kept_is_there_when_the_browser_is_killed_while_it_writes(
    open_browser: Callable[[], Chromium], server: StaticServer, address: str, enough: int
) -> None:
    first = open_browser()
    page = first.page(address)
    start(page, "while (true) await fetch('/told?it=' + await note({ mark: 'round' }));")
    wait_until(lambda: len(server.told) >= enough, page)
    first.kill()
    told = list(server.told)
    kept = [each["id"] for each in run(open_browser().page(address), CONTENTS)["records"]]
    assert kept[: len(told)] == told
    assert len(kept) - len(told) <= 1, "at most the one that was being written"


def test_a_receipt_moves_a_record_wholly_or_not_at_all(
    open_browser: Callable[[], Chromium], server: StaticServer, address: str
) -> None:
    first = open_browser()
    page = first.page(address)
    run(page, "for (let number = 0; number < 60; number += 1) await note({ mark: `${number}` });")
    start(page, "outbox.heard = ({ entry }) => fetch('/told?it=' + entry.id); await outbox.deliver();")
    wait_until(lambda: len(server.told) >= 5, page)
    first.kill()
    after = run(open_browser().page(address), CONTENTS)
    sent, waiting = after["sent"], after["records"]
    assert [each["mark"] for each in sent + waiting] == [str(number) for number in range(60)]
    assert {each["id"] for each in sent} >= set(server.told)


def test_tabs_share_one_order_and_one_of_them_sends(
    open_browser: Callable[[], Chromium], server: StaticServer, address: str
) -> None:
    browser = open_browser()
    one, other = browser.page(address), browser.page(address)
    for page in (one, other):
        start(page, "for (let number = 0; number < 20; number += 1) await note({ mark: 'round' });")
    wait_until(lambda: len(run(one, CONTENTS)["records"]) == 40, one)
    places = [each["seq"] for each in run(one, CONTENTS)["records"]]
    assert places == sorted(set(places))
    start(one, "network.send = () => { fetch('/told?it=sending'); return new Promise(() => {}); }; outbox.deliver();")
    wait_until(lambda: "sending" in server.told, one)
    assert run(other, "return (await outbox.deliver()).ran;") is False
    one.close()
    wait_until(lambda: run(other, "return (await outbox.deliver()).ran;") is True, other)
    assert run(other, CONTENTS)["records"] == []


def test_without_room_the_caller_is_told_and_nothing_is_lost(
    open_browser: Callable[[], Chromium], server: StaticServer, address: str
) -> None:
    roomy = open_browser()
    run(roomy.page(address), "await note({ mark: 'before' });")
    roomy.kill()
    narrow = open_browser()
    page = narrow.page(address)
    quota = narrow.context.new_cdp_session(page)
    quota.send("Storage.overrideQuotaForOrigin", {"origin": server.origin, "quotaSize": 500_000})
    picture = "{ name: 'a.jpg', type: 'image/jpeg', bytes: crypto.getRandomValues(new Uint8Array(60_000)).buffer }"
    failed = run(
        page,
        f"""
        const kept = [];
        try {{ while (kept.length < 50) kept.push(await note({{ mark: 'round' }}, {picture})); }}
        catch (error) {{ return {{ kept, code: error.code }}; }}
        return {{ kept, code: null }};
        """,
    )
    assert failed["code"] == "storage_full"
    narrow.kill()
    page = open_browser().page(address)
    run(page, "await note({ mark: 'after' });")
    records = run(page, CONTENTS)["records"]
    assert [each["id"] for each in records[1:-1]] == failed["kept"]
    assert [records[0]["mark"], records[-1]["mark"]] == ["before", "after"]


def test_what_fails_within_a_transaction_undoes_it_and_is_told(
    open_browser: Callable[[], Chromium], address: str
) -> None:
    page = open_browser().page(address)
    told = run(
        page,
        """
        await note({ mark: "before" });
        const fails = (view) => { throw new RangeError("no"); };
        const uncloneable = ({ records }) => ({ remove: [...records], put: [{ ...records[0], seq: 9, no: () => {} }] });
        const names = [];
        for (const decide of [fails, uncloneable]) {
          names.push(await store.change("open", decide).catch((error) => error.name));
        }
        return names;
        """,
    )
    assert told == ["RangeError", "DataCloneError"]
    assert [each["mark"] for each in run(page, CONTENTS)["records"]] == ["before"]


def test_a_revoked_tablet_forgets_everything_and_begins_anew(
    open_browser: Callable[[], Chromium], address: str
) -> None:
    page = open_browser().page(address)
    emptied = run(page, f"await note({{ mark: 'round' }}); await store.destroy(); {CONTENTS}")
    assert emptied == {"records": [], "sent": [], "meta": {"epoch": None, "swept_at": None}}


def test_the_browser_tells_how_much_room_there_is(open_browser: Callable[[], Chromium], address: str) -> None:
    room = run(open_browser().page(address), "return askForPersistence();")
    assert isinstance(room["persisted"], bool)
    assert 0 <= room["used"] < room["quota"]
