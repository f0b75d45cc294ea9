/** Heads on a tablet: the newest is kept, and what the records do not go with is never let go. */

import assert from "node:assert/strict";
import { beforeEach, describe, test } from "node:test";
import { Heads } from "../../calibration/static/bench/app/heads.js";

/** Key and value, in memory. */
class FakeCupboard {
  values = new Map();
  get = async (key) => this.values.get(key) ?? null;
  set = async (key, value) => void this.values.set(key, structuredClone(value));
}

/** Has a history: a note of a size goes with it where it names its branch. */
class FakeService {
  branch = "a";
  size = 0;
  offered = [];
  answer = null;
  send = async (method, path, token, { heads }) => {
    this.offered.push({ method, path, token, heads });
    if (this.answer) return this.answer;
    const outcomes = heads.map((note) => (note.startsWith(this.branch) ? "consistent" : "rewritten"));
    return { status: 200, body: { outcomes, checkpoint: this.size ? { note: `${this.branch}${this.size}` } : null } };
  };
}

describe("Heads on a tablet", () => {
  let cupboard, service, heads;
  const notes = async () => (await heads.held()).map(({ note }) => note);
  beforeEach(() => {
    cupboard = new FakeCupboard();
    service = new FakeService();
    heads = new Heads({ cupboard, service, workshop: "w" });
  });

  test("are asked for with the tablet's token, and the newest takes the place of the one before", async () => {
    for (const size of [1, 2, 3]) {
      service.size = size;
      assert.equal(await heads.exchange("secret"), 0);
    }
    assert.deepEqual(await notes(), ["a3"]);
    assert.deepEqual(service.offered.map(({ heads }) => heads), [[], ["a1"], ["a2"]]);
    assert.deepEqual([service.offered[0].method, service.offered[0].path, service.offered[0].token], ["POST", "/api/v1/tablet/heads/", "secret"]);
  });

  test("before there is one nothing is kept, and none is lost where the service has none any more", async () => {
    await heads.exchange("secret");
    assert.deepEqual(await notes(), []);
    service.size = 7;
    await heads.exchange("secret");
    service.size = 0;
    await heads.exchange("secret");
    assert.deepEqual(await notes(), ["a7"]);
  });

  test("a head with which the records do not go stays, is offered again, and is told once", async () => {
    service.size = 5;
    await heads.exchange("secret");
    service.branch = "b";
    service.size = 6;
    assert.equal(await heads.exchange("secret"), 1);
    assert.deepEqual(await notes(), ["a5", "b6"]);
    service.size = 7;
    assert.equal(await heads.exchange("secret"), 0);
    assert.deepEqual(await notes(), ["a5", "b7"]);
    assert.deepEqual(service.offered.at(-1).heads, ["a5", "b6"]);
  });

  test("of a history rewritten again and again it keeps the first ones, and no more than eight", async () => {
    for (const branch of "abcdefghijklmnop") {
      service.branch = branch;
      service.size = 1;
      await heads.exchange("secret");
    }
    assert.deepEqual(await notes(), ["a1", "b1", "c1", "d1", "e1", "f1", "g1", "p1"]);
  });

  for (const [what, answer] of Object.entries({
    "no answer": { status: 0, body: null },
    "a refusal": { status: 503, body: null },
    "an answer about other heads": { status: 200, body: { outcomes: [], checkpoint: { note: "b9" } } },
    "an answer of another kind": { status: 200, body: { detail: "hello" } },
  })) {
    test(`${what} changes nothing`, async () => {
      service.size = 5;
      await heads.exchange("secret");
      service.answer = answer;
      assert.equal(await heads.exchange("secret"), 0);
      assert.deepEqual(await notes(), ["a5"]);
    });
  }

  test("each workshop has its own", async () => {
    service.size = 5;
    await heads.exchange("secret");
    const others = new Heads({ cupboard, service, workshop: "v" });
    assert.deepEqual(await others.held(), []);
  });
});
