import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { aloneUnder } from "../../calibration/static/bench/offline/alone.js";
import { backOffMs } from "../../calibration/static/bench/offline/patience.js";
import { askForPersistence, IndexedDbStore } from "../../calibration/static/bench/offline/store.js";
import { uuid7 } from "../../calibration/static/bench/offline/uuid7.js";

describe("An id", () => {
  test("is the example of RFC 9562, appendix A.6", () => {
    const chance = Uint8Array.from(Buffer.from("000000000000" + "0cc3" + "18c4dc0c0c07398f", "hex"));
    assert.equal(uuid7(Date.parse("2022-02-22T14:22:22-05:00"), chance), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
  });

  test("is never made twice and begins with its time", () => {
    const ids = new Set(Array.from({ length: 10_000 }, () => uuid7()));
    assert.equal(ids.size, 10_000);
    assert.ok(uuid7(1_000) < uuid7(2_000));
  });
});

describe("The wait before another attempt", () => {
  test("doubles up to five minutes, and half of it is chance", () => {
    const longest = [1, 2, 3, 8, 9, 10, 1_000].map((attempts) => backOffMs(attempts, () => 1));
    assert.deepEqual(longest, [1_000, 2_000, 4_000, 128_000, 256_000, 300_000, 300_000]);
    assert.equal(backOffMs(3, () => 0), 2_000);
  });
});

describe("One tab at a time", () => {
  const locks = (isFree) => ({
    request: (_name, { ifAvailable }, work) => work(ifAvailable && !isFree ? null : { name: _name }),
  });

  test("works when the lock is free, and lets the other one be when it is not", async () => {
    let runs = 0;
    const work = async () => void (runs += 1);
    assert.equal(await aloneUnder("outbox", locks(true))(work), true);
    assert.equal(await aloneUnder("outbox", locks(false))(work), false);
    assert.equal(runs, 1);
  });
});

describe("Storage", () => {
  test("that the browser does not have is refused in so many words", async () => {
    await assert.rejects(new IndexedDbStore("outbox", undefined).read(), { code: "storage_refused" });
  });

  test("that the browser forbids is refused in so many words", async () => {
    const forbidding = { open: () => { throw new DOMException("denied", "SecurityError"); } };
    await assert.rejects(new IndexedDbStore("outbox", forbidding).read(), { code: "storage_refused" });
  });

  test("is asked to last, once", async () => {
    let asked = 0;
    const storage = {
      persisted: async () => asked > 0,
      persist: async () => Boolean((asked += 1)),
      estimate: async () => ({ usage: 5, quota: 100 }),
    };
    assert.deepEqual(await askForPersistence(storage), { persisted: true, used: 5, quota: 100 });
    await askForPersistence(storage);
    assert.equal(asked, 1);
    assert.deepEqual(await askForPersistence(undefined), { persisted: false, used: null, quota: null });
  });
});
