/**
 * Random schedules for the outbox: `node tests/bench/schedules.mjs --schedules 100000 --random-seed 1`
 *
 * Prints how many were run, how many records took which way, and each schedule in which something went wrong; exits
 * with 1 when there is one.
 */

import { pathToFileURL } from "node:url";
import { parseArgs } from "node:util";
import { Outbox } from "../../calibration/static/bench/offline/outbox.js";
import { faultsOf } from "./verdict.mjs";
import { allIsStill, World } from "./world.mjs";

const SHORTEST = 15;
const LONGEST = 70;
/** Schedules of two campaigns with neighbouring numbers have nothing in common. */
const APART = 0x9e3779b1;

/**
 * @param {number} start
 * @param {typeof Outbox} outboxClass
 */
export async function runSchedule(start, outboxClass = Outbox) {
  const world = new World(start, outboxClass);
  const steps = SHORTEST + world.chance.below(LONGEST - SHORTEST);
  for (let step = 0; step < steps; step += 1) {
    world.step();
    await allIsStill();
  }
  await world.quiesce();
  return { start, world, faults: faultsOf(world) };
}

/**
 * @param {{schedules: number, randomSeed: number, outboxClass?: typeof Outbox, enough?: number}} options
 *   `enough`: stop when this many schedules went wrong
 */
export async function runCampaign({ schedules, randomSeed, outboxClass = Outbox, enough = Infinity }) {
  const totals = { schedules: 0, kept: 0, committed: 0, restores: 0, crashes: 0 };
  Object.assign(totals, { not_accepted: 0, dropped: 0, discarded: 0 });
  const wrong = [];
  for (let number = 0; number < schedules && wrong.length < enough; number += 1) {
    const { start, world, faults } = await runSchedule(Math.imul(randomSeed, APART) + number, outboxClass);
    if (faults.length) wrong.push({ start, faults });
    count(totals, world);
  }
  return { totals, wrong };
}

function count(totals, world) {
  const states = [...world.device.records.values()].map(({ state }) => state);
  totals.schedules += 1;
  totals.kept += world.kept.size;
  totals.committed += world.server.log.length;
  totals.restores += world.server.restores;
  totals.crashes += world.crashes;
  totals.not_accepted += states.filter((state) => state === "refused").length;
  totals.dropped += states.filter((state) => state === "dropped").length;
  totals.discarded += world.discarded.size;
}

async function main() {
  const options = { schedules: { type: "string", default: "1000" }, "random-seed": { type: "string", default: "1" } };
  const { values } = parseArgs({ options });
  const began = performance.now();
  const { totals, wrong } = await runCampaign({
    schedules: Number(values.schedules),
    randomSeed: Number(values["random-seed"]),
  });
  const seconds = (performance.now() - began) / 1000;
  for (const { start, faults } of wrong.slice(0, 20)) console.log(`schedule ${start}: ${faults.join("; ")}`);
  console.log(JSON.stringify(totals));
  const speed = Math.round(totals.schedules / seconds);
  console.log(`${wrong.length} of ${totals.schedules} schedules went wrong; ${speed} a second`);
  process.exitCode = wrong.length ? 1 : 0;
}

if (import.meta.url === pathToFileURL(process.argv[1]).href) await main();
