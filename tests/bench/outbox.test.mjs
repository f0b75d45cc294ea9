import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { bench, DAY, NOON, receipt, refusal } from "./fakes/scripted.mjs";
import { noAnswer, portal } from "./fakes/server.mjs";
import { allIsStill } from "./world.mjs";

const IN_ORDER = ["first", "second", "third"];

describe("A record", () => {
  test("goes out with its id in its content, and leaves only on the receipt", async () => {
    const { outbox, note, sent, device } = bench();
    const id = await note("round");
    assert.equal((await outbox.pending()).count, 1);
    await outbox.deliver();
    assert.deepEqual(sent.map((each) => each.id), [id]);
    assert.equal((await outbox.pending()).count, 0);
    assert.equal(device.sent.size, 1, "a copy stays, to be offered again");
  });

  for (const [what, answer] of Object.entries({
    "no answer": noAnswer(),
    "a 2xx without epoch": receipt({ epoch: null }),
    "a page of the building's wireless": portal(200),
    "a refusal that is not the service's": portal(403),
    "408": refusal(408),
    "429": refusal(429),
    "500": refusal(500),
    "502 of a proxy": portal(502),
    "503": refusal(503),
  })) {
    test(`waits and is sent again under the same id after ${what}`, async () => {
      const { outbox, note, sent, clock } = bench({ round: [answer, receipt()] });
      await note("round");
      const { again_in_ms } = await outbox.deliver();
      assert.equal((await outbox.pending()).waiting, 1);
      assert.ok(again_in_ms > 0);
      await outbox.deliver();
      assert.equal(sent.length, 1, "not before its time");
      clock.at += again_in_ms;
      await outbox.deliver();
      assert.equal(sent.length, 2);
      assert.equal(sent[0].id, sent[1].id);
      assert.equal((await outbox.pending()).count, 0);
    });
  }

  for (const status of [400, 403, 404, 405, 409, 410, 413, 415, 422]) {
    test(`that is refused with ${status} goes to the tray and holds up nothing`, async () => {
      const { outbox, note, marks } = bench({ bad: [refusal(status)] });
      const bad = await note("bad");
      await note("next");
      await outbox.deliver();
      assert.deepEqual(marks(), ["bad", "next"]);
      assert.deepEqual((await outbox.tray()).map(({ id, refusal: { status: why } }) => [id, why]), [[bad, status]]);
      assert.deepEqual(await outbox.pending(), { count: 1, waiting: 0, not_accepted: 1, to_sign: 0, since: NOON });
    });
  }

  test("that is too large for whatever stands before the service goes to the tray", async () => {
    const { outbox, note } = bench({ photo: [portal(413)] });
    await note("photo");
    await outbox.deliver();
    assert.equal((await outbox.tray()).length, 1);
  });

  test("is not sent by the outbox of its own accord once it is in the tray", async () => {
    const { outbox, note, sent, clock } = bench({ bad: [refusal(422), receipt()] });
    await note("bad");
    await outbox.deliver();
    clock.at += DAY;
    await outbox.deliver();
    assert.equal(sent.length, 1);
  });

  test("in the tray is sent again or thrown away when a person says so", async () => {
    const { outbox, note } = bench({ one: [refusal(403), receipt()], other: [refusal(403)] });
    const [one, other] = [await note("one"), await note("other")];
    await outbox.deliver();
    assert.equal(await outbox.retry(one), true);
    assert.equal(await outbox.discard(other), true);
    await outbox.deliver();
    assert.deepEqual(await outbox.tray(), []);
    assert.equal((await outbox.pending()).count, 0);
  });

  test("that waits cannot be thrown away", async () => {
    const { outbox, note } = bench();
    const id = await note("round");
    assert.equal(await outbox.discard(id), false);
    assert.equal((await outbox.pending()).waiting, 1);
  });

  test("with a secret in it is not kept", async () => {
    const { outbox, note } = bench();
    await assert.rejects(note("x", { fields: { signer: [{ pin: "2718" }] } }), /'pin' is a secret/);
    assert.equal((await outbox.pending()).count, 0);
  });

  test("finds no room: nothing is stored, the earlier ones are untouched, and the caller is told", async () => {
    const { note, device, outbox } = bench();
    await note("before");
    device.isFull = true;
    await assert.rejects(note("after"), { code: "storage_full" });
    assert.equal((await outbox.pending()).count, 1);
  });

  test("whose receipt finds no room is sent again when there is some", async () => {
    const { note, device, outbox, clock, sent } = bench();
    await note("round");
    device.isFull = true;
    const report = await outbox.deliver();
    assert.equal(report.storage_full, true);
    device.isFull = false;
    clock.at += report.again_in_ms;
    await outbox.deliver();
    assert.equal(sent.length, 2);
    assert.equal((await outbox.pending()).count, 0);
  });

  test("that only this tablet has is counted from when it was noted", async () => {
    const { outbox, note, clock } = bench({ old: [refusal(422)], young: [noAnswer()] });
    await note("old");
    clock.at += DAY;
    await note("young");
    await outbox.deliver();
    assert.deepEqual(await outbox.pending(), { count: 2, waiting: 1, not_accepted: 1, to_sign: 0, since: NOON });
  });
});

describe("The order", () => {
  test("of a vehicle is kept, also when one has to be sent again", async () => {
    const { outbox, note, marks, clock } = bench({ first: [noAnswer(), receipt()] });
    for (const mark of IN_ORDER) await note(mark);
    clock.at += (await outbox.deliver()).again_in_ms;
    await outbox.deliver();
    assert.deepEqual(marks(), ["first", ...IN_ORDER]);
  });

  test("of one vehicle holds up no other", async () => {
    const { outbox, note, marks } = bench({ stuck: [refusal(500)] });
    await note("stuck");
    await note("behind it");
    await note("elsewhere", { vehicle: "bus" });
    await outbox.deliver();
    assert.deepEqual(marks(), ["stuck", "elsewhere"]);
  });

  test("waits for all vehicles when the server asks for it, but no longer than an hour", async () => {
    const asked = { ...refusal(503), retry_after_s: 86_400 };
    const { outbox, note, sent } = bench({ one: [asked] });
    await note("one");
    assert.equal((await outbox.deliver()).again_in_ms, 3_600_000);
    await note("elsewhere", { vehicle: "bus" });
    outbox.patience.forgive();
    await outbox.deliver();
    assert.equal(sent.length, 1);
  });

  test("is taken up at once when the network is back", async () => {
    const { outbox, note, sent } = bench({ round: [noAnswer(), receipt()] });
    await note("round");
    await outbox.deliver();
    outbox.patience.forgive();
    await outbox.deliver();
    assert.equal(sent.length, 2);
  });
});

describe("What was refused for want of an earlier record", () => {
  const answers = () => ({ job: [refusal(422), receipt()], round: [refusal(404), receipt()], other: [refusal(422)] });

  test("goes to the tray, is shown behind it and comes along when that one is sent again", async () => {
    const { outbox, note, marks } = bench(answers());
    const [job, round, other] = [await note("job"), await note("round"), await note("other")];
    await outbox.deliver();
    const tray = await outbox.tray();
    assert.deepEqual(tray.map(({ id, behind }) => [id, behind]), [[job, null], [round, job], [other, null]]);
    await outbox.retry(job);
    await outbox.deliver();
    assert.deepEqual(marks(), ["job", "round", "other", "job", "round"]);
    assert.deepEqual((await outbox.tray()).map(({ id }) => id), [other]);
  });

  test("is sent again when the earlier one left the tray while it was under way", async () => {
    const { outbox, note, network, clock } = bench(answers());
    const job = await note("job");
    await outbox.deliver();
    await note("round");
    const { send } = network;
    network.send = async (...sent) => {
      const answer = await send(...sent);
      network.send = send;
      await outbox.retry(job);
      return answer;
    };
    clock.at += (await outbox.deliver()).again_in_ms;
    await outbox.deliver();
    assert.deepEqual(await outbox.tray(), []);
    assert.equal((await outbox.pending()).count, 0);
  });
});

describe("Vehicles", () => {
  test("hold each other up neither when they wait nor when one gets a record meanwhile", async () => {
    let answer = () => {};
    const { outbox, note, marks } = bench({ slow: [new Promise((resolve) => (answer = resolve))] });
    await note("slow", { vehicle: "van" });
    await note("behind", { vehicle: "van" });
    const pass = outbox.deliver();
    await note("later", { vehicle: "bus" });
    await allIsStill();
    assert.deepEqual(marks(), ["slow", "later"]);
    answer(receipt());
    await pass;
    assert.deepEqual(marks(), ["slow", "later", "behind"]);
    assert.equal((await outbox.pending()).count, 0);
  });

  test("that fail for want of room are told, whichever it was", async () => {
    const { outbox, note, network } = bench();
    await note("round", { vehicle: "van" });
    network.send = () => Promise.reject(new Error("broken"));
    await assert.rejects(outbox.deliver(), /broken/);
  });
});

describe("Another epoch", () => {
  /** Three records are sent; then the server is restored. */
  async function restored(answers) {
    const world = bench(answers);
    for (const mark of IN_ORDER) await world.note(mark);
    await world.outbox.deliver();
    world.sent.length = 0;
    world.server.epoch = "second";
    return world;
  }

  test("has everything sent again in its old order, before what is new", async () => {
    const answers = [refusal(409, "epoch_changed"), receipt({ epoch: "second" })];
    const { outbox, note, marks, clock } = await restored({ new: answers });
    await note("new");
    const report = await outbox.deliver();
    assert.equal(report.restored, true);
    assert.equal((await outbox.pending()).count, 4, "they may be nowhere else");
    clock.at += report.again_in_ms;
    await outbox.deliver();
    assert.deepEqual(marks(), ["new", ...IN_ORDER, "new"]);
    assert.equal((await outbox.pending()).count, 0);
  });

  test("that several vehicles notice at once is told, and ends the pass", async () => {
    const answers = [refusal(409, "epoch_changed"), receipt({ epoch: "second" })];
    const { outbox, note } = await restored({ new: answers, elsewhere: answers });
    await note("new");
    await note("elsewhere", { vehicle: "bus" });
    assert.equal((await outbox.deliver()).restored, true);
  });

  test("is noticed when nothing is to be sent", async () => {
    const { outbox, marks } = await restored();
    assert.equal(await outbox.check(), true);
    await outbox.deliver();
    assert.deepEqual(marks(), IN_ORDER);
    assert.equal(await outbox.check(), false);
  });

  test("is stated with each record, so that the server can refuse to have its older ones overtaken", async () => {
    const { outbox, note, sent } = await restored();
    await note("new");
    await outbox.deliver();
    assert.equal(sent[0].epoch, "first");
  });

  test("is no refusal of a record whose job the server lost", async () => {
    const { outbox, note, clock } = await restored({ new: [refusal(404), receipt({ epoch: "second" })] });
    await note("new");
    clock.at += (await outbox.deliver()).again_in_ms;
    assert.deepEqual(await outbox.tray(), []);
    await outbox.deliver();
    assert.equal((await outbox.pending()).count, 0);
  });

  test("whose receipt comes late is none any more", async () => {
    const { outbox, note } = await restored({ new: [receipt({ epoch: "first" })] });
    await outbox.check();
    await outbox.deliver();
    await note("new");
    await outbox.deliver();
    assert.equal((await outbox.pending()).waiting, 1);
  });

  test("brings back what was sent within 30 days by the server's clock, whatever the tablet's says", async () => {
    const late = receipt({ at: NOON + 31 * DAY });
    const { outbox, note, device, clock, server } = bench({ late: [late] });
    await note("old");
    await outbox.deliver();
    clock.at += 400 * DAY;
    await note("young");
    await outbox.deliver();
    assert.equal(device.sent.size, 2, "the tablet's clock alone clears nothing away");
    await note("late");
    await outbox.deliver();
    assert.deepEqual([...device.contents.values()].map(({ fields }) => fields.mark), ["late"]);
    server.epoch = "second";
    await outbox.check();
    assert.equal((await outbox.pending()).waiting, 1);
  });

  test("leaves in the tray what a person is to decide", async () => {
    const { outbox, note, server } = bench({ bad: [refusal(422)] });
    await note("bad");
    await outbox.deliver();
    server.epoch = "second";
    await outbox.check();
    assert.equal((await outbox.tray()).length, 1);
  });
});

describe("Who has to sign in", () => {
  test("stops their own records only, and everything is kept", async () => {
    const { outbox, note, marks } = bench({ hers: [refusal(401, "not_authenticated")] });
    await note("hers", { person: "she" });
    await note("hers too", { person: "she", vehicle: "bus" });
    await note("his", { person: "he", vehicle: "lorry" });
    const report = await outbox.deliver();
    assert.deepEqual([...report.sign_in], ["she"]);
    assert.equal(report.revoked, false);
    assert.equal((await outbox.pending()).waiting, marks().includes("hers too") ? 1 : 2);
    assert.ok(marks().includes("his"));
  });

  test("stops too when a second factor is asked for: the record is as good as before", async () => {
    const { outbox, note } = bench({ round: [refusal(403, "second_factor_required")] });
    await note("round");
    assert.deepEqual([...(await outbox.deliver()).sign_in], [null]);
    assert.deepEqual(await outbox.tray(), []);
  });

  test("is told when the tablet itself was revoked", async () => {
    const { outbox, note } = bench({ round: [refusal(401, "tablet_revoked")] });
    await note("round");
    const report = await outbox.deliver();
    assert.equal(report.revoked, true);
    assert.equal(report.again_in_ms, null);
    assert.equal((await outbox.pending()).waiting, 1);
  });
});

describe("An intent to sign", () => {
  const intent = { vehicle: "van", path: "/api/v1/jobs/1/sign-off/", fields: { mark: "sign", content_sha256: "ab" } };
  const wrongPin = refusal(422, "invalid", [{ pointer: "/pin", code: "pin_wrong", detail: "" }]);

  test("waits for its person, is no record yet and holds up nothing", async () => {
    const { outbox, note, marks } = bench();
    await outbox.intend(intent);
    await note("round");
    await outbox.deliver();
    assert.deepEqual(marks(), ["round"]);
    assert.deepEqual(await outbox.pending(), { count: 0, waiting: 0, not_accepted: 0, to_sign: 1, since: null });
  });

  test("is sent with the PIN, which is stored nowhere", async () => {
    const { outbox, sent, device } = bench();
    const id = await outbox.intend(intent);
    const { outcome } = await outbox.sign(id, { pin: "2718" });
    assert.equal(outcome, "signed");
    assert.equal(sent[0].fields.pin, "2718");
    assert.equal(JSON.stringify([...device.contents.values(), ...device.sent.values()]).includes("2718"), false);
  });

  test("goes only when no record of its vehicle waits", async () => {
    const { outbox, note, sent } = bench();
    const id = await outbox.intend(intent);
    await note("round");
    assert.equal((await outbox.sign(id, { pin: "2718" })).outcome, "records_first");
    assert.equal(sent.length, 0);
  });

  for (const [what, answer, outcome] of [
    ["a wrong PIN", wrongPin, "pin"],
    ["no answer", noAnswer(), "later"],
    ["a locked PIN", refusal(429), "later"],
    ["a signer who is not signed in", refusal(401), "sign_in"],
    ["another server than was adopted", refusal(409, "epoch_changed"), "later"],
  ]) {
    test(`stays after ${what}`, async () => {
      const { outbox } = bench({ sign: [answer] });
      const id = await outbox.intend(intent);
      assert.equal((await outbox.sign(id, { pin: "2718" })).outcome, outcome);
      assert.deepEqual((await outbox.intents()).map((each) => each.id), [id]);
    });
  }

  test("whose receipt was lost on the way is sent once the server that is adopted tells so", async () => {
    const { outbox, events } = bench({ sign: [noAnswer()] });
    const id = await outbox.intend(intent);
    await outbox.sign(id, { pin: "2718" });
    await outbox.check();
    assert.equal(await outbox.recognise("another", "first"), false);
    assert.equal(await outbox.recognise(id, "of another server"), false);
    assert.deepEqual((await outbox.intents()).map((each) => each.id), [id]);
    assert.equal(await outbox.recognise(id, "first"), true);
    assert.deepEqual(await outbox.intents(), []);
    assert.equal(events.at(-1).kind, "sent");
  });

  test("that the job told of before its receipt came is signed", async () => {
    const { outbox } = bench();
    const id = await outbox.intend(intent);
    const send = outbox.network.send.bind(outbox.network);
    outbox.network.send = async (...sent) => {
      const answer = await send(...sent);
      assert.equal(await outbox.recognise(id, answer.epoch), true);
      return answer;
    };
    assert.equal((await outbox.sign(id, { pin: "2718" })).outcome, "signed");
  });

  test("over a record that changed since is dropped in sight and never sent again", async () => {
    const { outbox, sent, events } = bench({ sign: [refusal(409, "record_changed"), receipt()] });
    const id = await outbox.intend(intent);
    const { outcome, answer } = await outbox.sign(id, { pin: "2718" });
    assert.deepEqual([outcome, answer.problem.type], ["dropped", "record_changed"]);
    assert.deepEqual((await outbox.tray()).map((each) => each.state), ["dropped"]);
    assert.equal(events.at(-1).kind, "dropped");
    assert.equal(await outbox.retry(id), false);
    assert.equal((await outbox.sign(id, { pin: "2718" })).outcome, "gone");
    await outbox.deliver();
    assert.equal(sent.length, 1);
    assert.equal(await outbox.discard(id), true);
  });

  test("that a restored server lost asks for the PIN again", async () => {
    const { outbox, server } = bench();
    const id = await outbox.intend(intent);
    await outbox.sign(id, { pin: "2718" });
    server.epoch = "second";
    await outbox.check();
    assert.deepEqual((await outbox.intents()).map((each) => each.id), [id]);
  });
});

describe("Two tabs", () => {
  test("take turns, and the second looks again before long", async () => {
    const { outbox, open, note, network, sent } = bench();
    await note("round");
    const { send } = network;
    let second;
    network.send = async (...given) => {
      second = await open().deliver();
      return send(...given);
    };
    await outbox.deliver();
    assert.equal(second.ran, false);
    assert.ok(second.again_in_ms > 0);
    assert.equal(sent.length, 1);
  });
});
