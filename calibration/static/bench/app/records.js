/** Each kind of record that the bench makes: its address and its vehicle, for the outbox. */

import { problemWords } from "./problems.js";
import { gettext } from "./texts.js";

/** @typedef {import("./context.js").Intents} Intents */
/** @typedef {import("./context.js").Job} Job */
/** @typedef {import("./context.js").Kept} Kept */
/** @typedef {import("./context.js").Records} Records */
/** @typedef {import("./sending.js").Sending} Sending */

/** @typedef {{id: string, vin: string, registration: string | null}} HeldVehicle */

/** @typedef {{id?: string | null, file?: File | null}} How `id`: the draft's */

const MOST_PASSES = 3;

/**
 * @typedef {object} Desk
 * @property {Sending} sending
 * @property {string} person whose records these are
 * @property {{id: string, vehicle: HeldVehicle} | null} job
 * @property {import("./session.js").Session} session
 * @property {(vehicle: HeldVehicle) => Promise<void>} remember so that what waits can be named after the day is over
 * @property {(error: unknown) => void} notKept says why a record could not be kept
 */

/**
 * @param {Desk} desk
 * @returns {Records}
 */
export function recordsOf(desk) {
  const { job } = desk;
  const inJob = (/** @type {string} */ part) => `/api/v1/jobs/${job?.id}/${part}/`;
  /** @param {string} path @param {Record<string, unknown>} fields @param {How} [how] */
  const keep = (path, fields, how) => kept(desk, job?.vehicle, path, fields, how);
  return {
    readiness: (checks, id) => keep(inJob("readiness"), { checks }, { id }),
    round: (fields, id) => keep(inJob("rounds"), fields, { id }),
    furtherReadings: (round, readings, id) => keep(`/api/v1/rounds/${round}/readings/`, { readings }, { id }),
    strike: (reading, fields) => keep(`/api/v1/readings/${reading}/strike/`, fields),
    propose: (fields = {}, id) => keep(inJob("proposals"), fields, { id }),
    write: (fields, id) => keep(inJob("writes"), fields, { id }),
    photo: (of, file) => keep(`/api/v1/${"round" in of ? `rounds/${of.round}` : `writes/${of.write}`}/photos/`, {}, { file }),
    event: (fields, id) => keep(`/api/v1/vehicles/${job?.vehicle.vin}/events/`, fields, { id }),
    fitment: (fields, id) => keep(`/api/v1/vehicles/${job?.vehicle.vin}/fitments/`, fields, { id }),
    concession: (fields) => keep(inJob("concession"), fields),
    pause: (fields) => keep(inJob("pause"), fields),
    resume: (fields, id) => keep(inJob("resumption"), fields, { id }),
    end: (fields, id) => keep(inJob("end"), fields, { id }),
    leakTest: (fields, id) => keep(inJob("leak-tests"), fields, { id }),
    reversion: (fields) => keep(inJob("reversion"), fields),
    heightCheck: (vehicle, fields, id) => kept(desk, vehicle, `/api/v1/vehicles/${vehicle.vin}/checks/`, fields, { id }),
    openJob: (vehicle, fields) => kept(desk, vehicle, "/api/v1/jobs/", { vehicle: vehicle.vin, ...fields }),
  };
}

/**
 * @param {Desk} desk
 * @returns {Intents}
 */
export function intentsOf({ sending, session, person, job, notKept }) {
  return {
    async decide({ id, person: decider, pin, part, fields }) {
      if (job && (await isOnTheWay(sending, job.vehicle.id))) {
        return gettext("Records of this job are still on their way. Decide when they are sent.");
      }
      const proof = await session.prove(decider, pin);
      if (!proof.body) return problemWords(proof.problem, proof.status);
      const reply = await session.service.send("POST", `/api/v1/${part}`, proof.body.token, { id, ...fields });
      return reply.body ? null : problemWords(reply.problem, reply.status);
    },
    async sign({ pin, ...fields }) {
      if (!job) throw new TypeError("Only a job is signed off.");
      const id = await sending.writing(() => intent(sending, job, person, fields)).catch((error) => {
        notKept(error);
        throw error;
      });
      return signed(sending, id, pin);
    },
  };
}

/**
 * Whether there are records of a vehicle that what is decided does not know yet.
 * @param {Sending} sending
 * @param {string} vehicle
 */
async function isOnTheWay(sending, vehicle) {
  const { records } = await sending.store.read();
  return records.some((each) => each.vehicle === vehicle && each.state === "waiting");
}

/**
 * What the signature covers goes first.
 * @param {Sending} sending
 * @param {string} id
 * @param {string} pin
 */
async function signed(sending, id, pin) {
  for (let pass = 1; ; pass += 1) {
    const signing = await sending.outbox.sign(id, { pin });
    if (signing.outcome !== "records_first" || pass > MOST_PASSES) return signing;
    await sending.run();
  }
}

/**
 * The one intent to sign this job that covers what was shown. One that covered something else is thrown away.
 * @param {Sending} sending
 * @param {{id: string, vehicle: {id: string}}} job
 * @param {string} person
 * @param {Record<string, unknown>} fields
 */
async function intent(sending, job, person, fields) {
  const path = `/api/v1/jobs/${job.id}/sign-off/`;
  for (const { id, path: of } of await sending.outbox.intents()) {
    if (of === path) await sending.outbox.discard(id);
  }
  return sending.outbox.intend({ vehicle: job.vehicle.id, path, fields, person });
}

/**
 * @param {Desk} desk
 * @param {HeldVehicle | undefined} vehicle
 * @param {string} path
 * @param {Record<string, unknown>} fields
 * @param {How} [how]
 * @returns {Promise<Kept>}
 */
async function kept(desk, vehicle, path, fields, { id = null, file = null } = {}) {
  const { sending, person, notKept } = desk;
  if (!vehicle) throw new TypeError("A record is of a vehicle.");
  try {
    return await sending.writing(async () => {
      await desk.remember(vehicle);
      const attachment = file && { name: file.name, type: file.type, bytes: await file.arrayBuffer() };
      return sending.keep({ id, vehicle: vehicle.id, path, fields, file: attachment, person });
    });
  } catch (error) {
    notKept(error);
    throw error;
  }
}
