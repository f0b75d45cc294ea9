import assert from "node:assert/strict";
import { afterEach, beforeEach, describe, mock, test } from "node:test";
import { LOOK_EVERY_MS, Sender } from "../../calibration/static/bench/offline/sender.js";
import { bench, receipt } from "./fakes/scripted.mjs";
import { noAnswer } from "./fakes/server.mjs";
import { allIsStill } from "./world.mjs";

describe("The sender", () => {
  let told, sender, alarm;
  beforeEach(() => {
    told = [];
    alarm = null;
    mock.method(globalThis, "setTimeout", (ring, ms) => (alarm = { ring, ms }));
  });
  afterEach(() => mock.restoreAll());

  /** Time passes on the tablet's clock and for the alarm that was set last. */
  async function pass(world, ms) {
    world.clock.at += ms;
    if (alarm.ms <= ms) alarm.ring();
    await allIsStill();
  }

  async function begin(world) {
    sender = new Sender({ outbox: world.outbox, tell: (report) => told.push(report) });
    sender.wake();
    await allIsStill();
    return world;
  }

  test("sends what is added when it is woken", async () => {
    const world = await begin(bench());
    await world.note("round");
    sender.wake();
    await allIsStill();
    assert.deepEqual(world.marks(), ["round"]);
    assert.equal(told.length, 2);
  });

  test("takes along what is added while it sends", async () => {
    const world = await begin(bench());
    const { send } = world.network;
    world.network.send = async (...given) => {
      world.network.send = send;
      await world.note("elsewhere", { vehicle: "bus" });
      sender.wake();
      sender.wake();
      return send(...given);
    };
    await world.note("round");
    sender.wake();
    await allIsStill();
    assert.deepEqual(world.marks(), ["round", "elsewhere"]);
  });

  test("tries again by itself when the wait is over, or at once when the network is back", async () => {
    const world = bench({ round: [noAnswer(), noAnswer(), receipt()] });
    await world.note("round");
    await begin(world);
    assert.equal(world.sent.length, 1);
    await pass(world, told[0].again_in_ms);
    assert.equal(world.sent.length, 2);
    sender.online();
    await allIsStill();
    assert.equal(world.sent.length, 3);
    assert.equal((await world.outbox.pending()).count, 0);
  });

  test("looks from time to time whether the server was restored", async () => {
    const world = bench();
    await world.note("round");
    await begin(world);
    world.server.epoch = "second";
    await pass(world, LOOK_EVERY_MS);
    assert.deepEqual(world.marks(), ["round", "round"]);
  });

  test("tells of storage that fails, and goes on when it works again", async () => {
    const world = bench();
    await world.note("round");
    const { read } = world.outbox.store;
    world.outbox.store.read = () => Promise.reject(new Error("storage"));
    await begin(world);
    assert.equal(told[0].failure.message, "storage");
    world.outbox.store.read = read;
    await pass(world, 30_000);
    assert.deepEqual(world.marks(), ["round"]);
  });

  test("stops when it is told to", async () => {
    const world = await begin(bench());
    sender.stop();
    await world.note("round");
    sender.wake();
    await pass(world, LOOK_EVERY_MS);
    assert.deepEqual(world.marks(), []);
  });
});
