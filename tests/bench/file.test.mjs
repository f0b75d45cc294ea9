import assert from "node:assert/strict";
import { before, describe, test } from "node:test";
import { outboxFiles, readOutboxFile } from "../../calibration/static/bench/offline/export.js";
import { bench, refusal } from "./fakes/scripted.mjs";

const ABOUT = { workshop: "0199-w", tablet: "Bay 2", saved_at: "2026-11-25T12:00:00Z" };
const CURVE = { name: "ECDH", namedCurve: "P-256" };
const PICTURE = { name: "tape.jpg", type: "image/jpeg", bytes: Uint8Array.from([255, 216, 0, 1]).buffer };

async function keyPair() {
  const { privateKey, publicKey } = await crypto.subtle.generateKey(CURVE, true, ["deriveBits"]);
  return { privateKey, recipient: new Uint8Array(await crypto.subtle.exportKey("raw", publicKey)) };
}

describe("The file of an outbox", () => {
  let workshop, world, file;
  before(async () => {
    workshop = await keyPair();
    world = bench({ bad: [refusal(422)] });
    for (const mark of ["sent", "bad"]) await world.note(mark);
    await world.outbox.deliver();
    await world.note("Höhe", { file: PICTURE });
    await world.note("later", { file: { ...PICTURE, bytes: Uint8Array.of(7).buffer } });
    await world.outbox.intend({ vehicle: "van", path: "/sign-off/", fields: { content_sha256: "ab" } });
    [file] = await outboxFiles(world.outbox.store, workshop.recipient, ABOUT);
  });

  test("holds all that is only on this tablet, with pictures, in order", async () => {
    const saved = await readOutboxFile(file, workshop.privateKey, workshop.recipient);
    assert.deepEqual(saved.records.map((each) => each.state), ["refused", "waiting", "waiting", "to_sign"]);
    assert.deepEqual(saved.records[1].content, { fields: { mark: "Höhe", id: saved.records[1].id }, file: PICTURE });
    assert.deepEqual(new Uint8Array(saved.records[2].content.file.bytes), Uint8Array.of(7));
    assert.deepEqual([saved.tablet, saved.epoch, saved.version], ["Bay 2", "first", 1]);
  });

  test("becomes several files, in order, where one would be too large or hold too many records", async () => {
    const read = async (limits) => {
      const files = await outboxFiles(world.outbox.store, workshop.recipient, ABOUT, limits);
      const saved = await Promise.all(files.map((each) => readOutboxFile(each, workshop.privateKey, workshop.recipient)));
      return saved.map(({ records }) => records.map(({ state }) => state));
    };
    const [one, two, three] = [1000, 2500, 3500].map((bytes) => ({ bytes, records: 500 }));
    assert.deepEqual(await read(one), [["refused"], ["waiting"], ["waiting"], ["to_sign"]]);
    assert.deepEqual(await read(two), [["refused", "waiting"], ["waiting", "to_sign"]]);
    assert.deepEqual(await read({ bytes: 10_000, records: 3 }), [["refused", "waiting", "waiting"], ["to_sign"]]);
    assert.equal((await read(three)).flat().length, 4);
  });

  test("has the size that it was reckoned with, at most", async () => {
    const full = bench();
    for (let count = 0; count < 40; count += 1) await full.note("x".repeat(700), { file: { ...PICTURE, name: "ä".repeat(100) } });
    const files = await outboxFiles(full.outbox.store, workshop.recipient, ABOUT, { bytes: 20_000, records: 500 });
    assert.ok(files.length > 2 && files.every((each) => each.length < 20_000 + 1000), String(files.map(({ length }) => length)));
  });

  test("leaves the outbox as it was", async () => {
    assert.equal((await world.outbox.pending()).count, 3);
  });

  test("cannot be read by another key, nor for one", async () => {
    const other = await keyPair();
    await assert.rejects(readOutboxFile(file, other.privateKey, other.recipient), /another key/);
    await assert.rejects(readOutboxFile(file, other.privateKey, workshop.recipient), { name: "OperationError" });
  });

  test("says so when any byte of it was changed", async () => {
    for (let place = 0; place < file.length; place += 1) {
      const changed = file.slice();
      changed[place] ^= 1;
      await assert.rejects(readOutboxFile(changed, workshop.privateKey, workshop.recipient), `byte ${place}`);
    }
  });

  test("is refused when it is something else or too short", async () => {
    for (const other of [new Uint8Array(0), file.slice(0, 40), new TextEncoder().encode("a letter".repeat(20))]) {
      await assert.rejects(readOutboxFile(other, workshop.privateKey, workshop.recipient), /no outbox file/);
    }
  });

  test("tells nothing without the key, and is another one each time", async () => {
    assert.equal(Buffer.from(file).includes("tape.jpg"), false);
    const [again] = await outboxFiles(world.outbox.store, workshop.recipient, ABOUT);
    assert.notDeepEqual(again, file);
  });
});
