/**
 * A tablet before the real service: `node send_to_service.mjs ORIGIN TOKEN VIN INSTRUMENT`
 *
 * Sends a job with its records, each answer lost once, says how that went, waits for a line, and looks whether the
 * server is another.
 */

import { once } from "node:events";
import { Network } from "../../calibration/static/bench/offline/network.js";
import { Outbox } from "../../calibration/static/bench/offline/outbox.js";
import { uuid7 } from "../../calibration/static/bench/offline/uuid7.js";
import { aloneOn, Device, DeviceStore } from "./fakes/device.mjs";

const [origin, token, vin, instrument] = process.argv.slice(2);
const MINUTE = 60_000;
const tab = { isAlive: true };
const device = new Device();
const clock = { ahead: 0, now: Date.now, elapsed: () => performance.now() + clock.ahead };
const answered = [];
const lost = new Set();

/** The answer to each body is lost once, after the server gave it. */
async function fetchLosing(path, options) {
  const response = await fetch(new URL(path, origin), options);
  if (options.method === "GET") return response;
  answered.push(response.status);
  const request = typeof options.body === "string" ? options.body : path;
  if (lost.has(request)) return response;
  lost.add(request);
  throw new TypeError("Failed to fetch");
}

const network = new Network({ token: async () => token, askPath: "/api/v1/me/", fetch: fetchLosing });
const outbox = new Outbox({
  store: new DeviceStore(device, tab, () => {}),
  network,
  clock,
  newId: uuid7,
  alone: aloneOn(device, tab),
});
const note = (path, fields, file = null) => outbox.add({ vehicle: vin, path: `/api/v1/${path}/`, fields, file });

async function deliverAll() {
  for (let attempt = 0; attempt < 40; attempt += 1) {
    const { again_in_ms } = await outbox.deliver();
    if (again_in_ms === null) return;
    clock.ahead += 10 * MINUTE;
  }
}

async function report(more) {
  const tray = (await outbox.tray()).map(({ id, behind, refusal }) => ({ id, behind, status: refusal.status }));
  console.log(JSON.stringify({ pending: await outbox.pending(), tray, answered, sent: device.sent.size, ...more }));
  answered.length = 0;
}

const pair = (corner, height_mm) => [{ corner, height_mm }, { corner, height_mm: height_mm + 1 }];
const round = {
  taken_at: new Date().toISOString(),
  instrument,
  settled: true,
  setpoints: { FL: 128, FR: 128, RL: 128, RR: 128 },
  readings: [...pair("FL", 486), ...pair("FR", 486), ...pair("RL", 504), ...pair("RR", 504)],
};
const bytes = Uint8Array.from(Buffer.from(process.env.PICTURE, "hex")).buffer;
const picture = { name: "tape.png", type: "image/png", bytes };

const job = await note("jobs", { vehicle: vin, reason: "routine", odometer_km: 84210 });
await note(`jobs/${job}/readiness`, { checks: { doors: { outcome: "pass" } } });
const malformed = await note(`jobs/${job}/rounds`, { ...round, readings: pair("FL", -486) });
const orphan = await note(`rounds/${malformed}/photos`, {}, picture);
const measured = await note(`jobs/${job}/rounds`, round);
const photo = await note(`rounds/${measured}/photos`, {}, picture);
await deliverAll();
await report({ ids: { job, malformed, orphan, measured, photo } });

await once(process.stdin, "data");
const isRestored = await outbox.check();
const waiting = (await outbox.pending()).waiting;
await deliverAll();
await report({ isRestored, offeredAgain: waiting });
process.exit();
