import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { FAULTY } from "./faulty.mjs";
import { runCampaign } from "./schedules.mjs";

const SCHEDULES = 4_000;
const RANDOM_SEED = 20261125;

describe("Over random schedules", () => {
  test("nothing is lost, doubled, reordered or held up, and the tray holds what was refused", async () => {
    const { totals, wrong } = await runCampaign({ schedules: SCHEDULES, randomSeed: RANDOM_SEED });
    assert.deepEqual(wrong, []);
    for (const [what, times] of Object.entries(totals)) assert.ok(times > SCHEDULES / 20, `too few: ${what}`);
  });

  for (const faulty of FAULTY) {
    const fault = faulty.name.replace(/\B[A-Z]/g, " $&").toLowerCase();
    test(`an outbox is found out that ${fault}`, async () => {
      const options = { schedules: SCHEDULES, randomSeed: RANDOM_SEED, enough: 1 };
      const { wrong } = await runCampaign({ ...options, outboxClass: faulty });
      assert.equal(wrong.length, 1);
    });
  }
});
