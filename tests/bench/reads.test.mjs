import assert from "node:assert/strict";
import { afterEach, describe, test } from "node:test";
import { Reads } from "../../calibration/static/bench/app/reads.js";

const SystemDate = Date;

describe("The specification in force", () => {
  const { TZ } = process.env;
  afterEach(() => {
    globalThis.Date = SystemDate;
    if (TZ === undefined) delete process.env.TZ;
    else process.env.TZ = TZ;
  });

  /** Of a model of which another revision takes effect every day. */
  const inForce = async (zone, now) => {
    process.env.TZ = zone;
    globalThis.Date = class extends SystemDate {
      constructor(...given) {
        super(...(given.length ? given : [now]));
      }
    };
    const results = ["2026-06-09", "2026-06-10", "2026-06-11", "2026-06-12"].map((effective_from, revision) => ({ effective_from, revision }));
    const service = { get: async () => ({ body: { results }, epoch: null, status: 200 }) };
    const reads = new Reads({ hold: async () => undefined }, service, () => null, async () => []);
    return (await reads.specification("a-model")).effective_from;
  };

  test("is that of the day where the tablet is", async () => {
    assert.equal(await inForce("Pacific/Auckland", "2026-06-10T20:00:00Z"), "2026-06-11");
    assert.equal(await inForce("Pacific/Honolulu", "2026-06-11T05:00:00Z"), "2026-06-10");
  });
});

describe("What is kept in an app that stays open", () => {
  afterEach(() => {
    globalThis.Date = SystemDate;
  });

  test("is cleared away after a day, but for jobs in which something goes on", async () => {
    let now = new SystemDate(2027, 11, 30, 23, 58).getTime();
    globalThis.Date = class extends SystemDate {
      constructor(...given) {
        super(...(given.length ? given : [now]));
      }
    };
    const kept = new Map();
    const cupboard = {
      all: async () => [...kept],
      hold: async (key, value) => void kept.set(key, value),
      letGo: () => undefined,
      remove: async (key) => void kept.delete(key),
    };
    const service = { get: async () => ({ body: { results: [] }, epoch: null, status: 200 }) };
    const reads = new Reads(cupboard, service, () => null, async () => []);
    await reads.sweep(() => ["leak:going-on"]);
    const read = async (...jobs) => {
      for (const job of jobs) await reads.refresh(job);
      return [...kept.keys()].map((key) => key.split("/").at(-2));
    };
    assert.deepEqual(await read("going-on", "other"), ["going-on", "other"]);
    now += 5 * 60_000; // over midnight
    assert.deepEqual(await read("new"), ["going-on", "other", "new"]);
    now = new SystemDate(2028, 0, 1, 0, 1).getTime();
    assert.deepEqual(await read("newest"), ["going-on", "new", "newest"]);
  });
});
