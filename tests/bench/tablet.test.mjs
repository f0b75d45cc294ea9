/** What a tablet keeps beside its records: tokens, by the service's clock; and what is being typed, past midnight. */

import assert from "node:assert/strict";
import { afterEach, beforeEach, describe, mock, test } from "node:test";
import { absentOf } from "../../calibration/static/bench/app/absent.js";
import { Cupboard } from "../../calibration/static/bench/app/cupboard.js";
import { Drafts } from "../../calibration/static/bench/app/drafts.js";
import { Session } from "../../calibration/static/bench/app/session.js";
import { StorageFull, StorageRefused } from "../../calibration/static/bench/offline/storage_errors.js";

const HOUR_MS = 3_600_000;
const SERVICE_AT = Date.parse("2026-05-04T09:00:00Z");
const SHE = { id: "she", name: "Sunniva Pell", has_pin: true };
const HE = { id: "he", name: "Odd Vik", has_pin: true };

/** Key and value, in memory. */
class FakeCupboard {
  values = new Map();
  get = async (key) => this.values.get(key) ?? null;
  set = async (key, value) => void this.values.set(key, structuredClone(value));
  hold = this.set;
  letGo = () => {};
  remove = async (key) => void this.values.delete(key);
  all = async (prefix) => [...this.values].filter(([key]) => key.startsWith(prefix));
}

/** Signs everybody in, for eight hours by its own clock, and tells who works here. */
class FakeService {
  people = [SHE, HE];
  async send(_method, _path, _token, { person }) {
    const expires_at = new Date(SERVICE_AT + 8 * HOUR_MS).toISOString();
    return { status: 201, body: { token: `token of ${person}`, expires_at, roles: ["technician"] }, problem: null };
  }
  async get(path) {
    const body = path.endsWith("/people/") ? this.people : { units: { length: "mm" } };
    return { status: 200, body, problem: null };
  }
}

let now;
beforeEach(() => {
  now = SERVICE_AT;
  mock.method(Date, "now", () => now);
});
afterEach(() => mock.restoreAll());

describe("A person's token", () => {
  let session, elapsed;
  beforeEach(async () => {
    elapsed = 5_000;
    mock.method(performance, "now", () => elapsed);
    session = new Session(new FakeCupboard(), new FakeService());
    await session.people();
  });

  test("holds on a tablet whose clock is thirty hours fast", async () => {
    now = SERVICE_AT + 30 * HOUR_MS;
    session.heardTime(SERVICE_AT);
    await session.pick(SHE, "4711");
    assert.equal(await session.token("she"), "token of she");
  });

  test("ends after eight hours of the service's time, whatever the tablet's clock shows", async () => {
    now = SERVICE_AT - 30 * HOUR_MS;
    session.heardTime(SERVICE_AT);
    await session.pick(SHE, "4711");
    elapsed += 8 * HOUR_MS - 1;
    assert.equal(await session.token("she"), "token of she");
    elapsed += 1;
    assert.equal(await session.token("she"), null);
  });

  test("is the service's to refuse until it has told its time, and an answer without one changes nothing", async () => {
    now = SERVICE_AT + 30 * HOUR_MS;
    await session.pick(SHE, "4711");
    session.heardTime(null);
    assert.equal(await session.token("she"), "token of she");
    session.heardTime(SERVICE_AT + 9 * HOUR_MS);
    session.heardTime(null);
    assert.equal(await session.token("she"), null);
  });

  test("of somebody else is taken without sending away who is at the tablet", async () => {
    await session.pick(SHE, "4711");
    await session.letGo(HE, "4712");
    assert.deepEqual([session.person.id, await session.token("he")], ["she", "token of he"]);
    await session.forget("he");
    assert.deepEqual([session.person.id, await session.token("he")], ["she", null]);
  });

  test("is there, and so are the people, where the tablet has no room", async () => {
    session.cupboard.set = async () => { throw new StorageFull(); };
    assert.deepEqual(await session.people(), [SHE, HE]);
    await session.pick(SHE, "4711");
    assert.equal(await session.token("she"), "token of she");
  });

  test("that is missing is why records wait, and where its person left the workshop that is known too", async () => {
    const records = ["he", "he", "she", null].map((person) => ({ person, state: "waiting" }));
    const refused = { person: "he", state: "refused" };
    await session.pick(HE, "4712");
    await session.pick(SHE, "4711");
    assert.deepEqual(await absentOf(session, records), []);
    await session.forget("he");
    const his = { id: "he", name: "Odd Vik", count: 2 };
    assert.deepEqual(await absentOf(session, [...records, refused]), [{ ...his, isListed: true }]);
    session.service.people = [SHE];
    await session.forget("he");
    assert.deepEqual(await absentOf(session, records), [{ ...his, isListed: false }]);
  });
});

describe("What is being typed", () => {
  let cupboard;
  const opened = async () => {
    const drafts = new Drafts(cupboard, () => {}, () => {});
    await drafts.open();
    return drafts;
  };
  beforeEach(() => {
    cupboard = new FakeCupboard();
    globalThis.BroadcastChannel = class { postMessage() {} };
  });

  test("is there past midnight, and for 24 hours after the last key", async () => {
    now = new Date(2026, 4, 4, 23, 58).getTime();
    (await opened()).set("round:1", ["FL"]);
    now += HOUR_MS;
    const atNight = await opened();
    assert.deepEqual([atNight.get("round:1"), atNight.keys], [["FL"], ["round:1"]]);
    atNight.set("round:1", ["FL", "FR"]);
    now += 24 * HOUR_MS - 1;
    assert.deepEqual((await opened()).get("round:1"), ["FL", "FR"]);
    now += 1;
    assert.equal((await opened()).get("round:1"), null);
    assert.equal(cupboard.values.size, 0);
  });

  test("is there as long as it was set for", async () => {
    (await opened()).set("leak:1", "heights", 14);
    now += 13 * 24 * HOUR_MS;
    assert.equal((await opened()).get("leak:1"), "heights");
  });

  test("has the id of its record from the first key, in every tab that finds it, and another once it is recorded", async () => {
    const drafts = await opened();
    assert.equal(drafts.idOf("round:1"), null);
    drafts.set("round:1", ["FL"]);
    const id = drafts.idOf("round:1");
    assert.match(id, /^[0-9a-f]{8}-[0-9a-f]{4}-7/);
    drafts.set("round:1", ["FL", "FR"]);
    assert.deepEqual([drafts.idOf("round:1"), (await opened()).idOf("round:1")], [id, id]);
    drafts.clear("round:1");
    drafts.set("round:1", ["RL"]);
    assert.notEqual(drafts.idOf("round:1"), id);
  });

  test("is thrown away where its record is on the disk: the tab that recorded it was killed", async () => {
    const before = await opened();
    before.set("round:1", ["FL"]);
    before.set("round:2", ["FR"]);
    const drafts = await opened();
    const held = async (ids) => new Set(ids.filter((id) => id === before.idOf("round:1")));
    await drafts.clearRecorded({ held });
    assert.deepEqual([drafts.keys, (await opened()).keys], [["round:2"], ["round:2"]]);
  });
});

describe("A tablet that refuses to keep something", () => {
  /** Opens at once, and refuses at the given moment. */
  const refusing = (name, when) => {
    const refused = new DOMException("no room", name);
    const transaction = { objectStore: () => ({ put, get: put }), error: refused };
    const put = () => {
      if (when === "at once") throw refused;
      queueMicrotask(() => queueMicrotask(() => transaction.onabort()));
      return {};
    };
    const request = { result: { transaction: () => transaction } };
    return { open: () => (queueMicrotask(() => request.onsuccess()), request) };
  };

  for (const when of ["at once", "in the end"]) {
    test(`says in the app's own words why, ${when}`, async () => {
      const kept = (name) => new Cupboard("any", refusing(name, when)).set("key", "value");
      await assert.rejects(kept("QuotaExceededError"), StorageFull);
      await assert.rejects(kept("UnknownError"), StorageRefused);
    });

    test(`holds what no record rests on as long as the app is open, ${when}`, async () => {
      const cupboard = new Cupboard("any", refusing("QuotaExceededError", when));
      await cupboard.hold("people", ["she"]);
      await cupboard.hold("read:jobs", []);
      assert.deepEqual([await cupboard.get("people"), await cupboard.get("read:jobs")], [["she"], []]);
      cupboard.letGo("read:");
      await assert.rejects(cupboard.get("read:jobs"), "it is looked for on the disk again");
      assert.deepEqual(await cupboard.get("people"), ["she"]);
    });
  }
});
