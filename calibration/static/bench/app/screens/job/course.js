/**
 * What is to be done now, as far as this tablet knows: the service's next step, carried on over the records that are
 * still here. Where only the service can say what follows, the step is `awaited`. Nothing is judged here.
 */

/** @typedef {import("../../context.js").Job} Job */
/** @typedef {import("../../context.js").Waiting} Waiting */
/** @typedef {import("../../context.js").NextStep | 'awaited'} Step */

const SETTLED_BY_SERVICE = [
  "round",
  "readings",
  "strike",
  "proposal",
  "event",
  "leak_test",
  "concession",
  "resumption",
  "end",
  "reversion",
  "sign_off",
];

/** Records that are on their way to the job's document, in order. @param {Waiting[]} waiting @param {Job} job */
export function onTheWay(waiting, job) {
  return waiting.filter((each) => (each.state === "waiting" || each.state === "sent") && isOfJob(each, job));
}

/**
 * The write of the open proposal that is on its way, and after which the control unit holds what was proposed. Once the
 * service has it, the proposal is open no more.
 * @param {Job} job
 * @param {Waiting[]} waiting
 * @returns {{written_at: string} | null}
 */
export function writeOfProposal(job, waiting) {
  const last = onTheWay(waiting, job).filter(({ kind }) => kind === "write").at(-1);
  return last && isAsProposed(last, job) ? /** @type {any} */ (last.fields) : null;
}

/** @param {Waiting} record @param {Job} job */
function isOfJob(record, job) {
  return !record.path.startsWith("/api/v1/jobs/") || record.path.startsWith(`/api/v1/jobs/${job.id}/`);
}

/**
 * Readiness with what was checked on this tablet since.
 * @param {Job} job
 * @param {Waiting[]} waiting
 * @returns {Record<string, string>}
 */
export function readinessNow(job, waiting) {
  const merged = { ...job.readiness.merged };
  for (const { kind, fields } of onTheWay(waiting, job)) {
    if (kind !== "readiness") continue;
    for (const [item, { outcome }] of Object.entries(fields.checks)) merged[item] = outcome;
  }
  return merged;
}

/**
 * @param {Job} job
 * @param {Waiting[]} waiting
 * @returns {Step}
 */
export function stepNow(job, waiting) {
  const kept = onTheWay(waiting, job);
  /** @type {Step} */
  let step = job.next_step;
  for (const record of kept) step = following(step, record, job, waiting);
  return step;
}

/**
 * @param {Step} step
 * @param {Waiting} record
 * @param {Job} job
 * @param {Waiting[]} waiting
 * @returns {Step}
 */
function following(step, record, job, waiting) {
  if (record.kind === "readiness") return afterReadiness(step, job, waiting);
  if (record.kind === "write") return isAsProposed(record, job) ? "settle_and_measure" : "awaited";
  if (record.kind === "pause") return "paused";
  return SETTLED_BY_SERVICE.includes(record.kind) ? "awaited" : step;
}

/** @param {Step} step @param {Job} job @param {Waiting[]} waiting @returns {Step} */
function afterReadiness(step, job, waiting) {
  if (step !== "check_readiness") return step;
  const outcomes = Object.values(readinessNow(job, waiting));
  if (!outcomes.every((each) => each === "pass" || each === "not_applicable")) return step;
  if (job.proposal?.outcome === "allowed") return "write";
  const isMeasuredNext = job.rounds.length === 0 || job.next_step_detail.reason.startsWith("readiness_lapsed");
  return isMeasuredNext ? "measure" : "awaited";
}

/** @param {Waiting} write @param {Job} job */
function isAsProposed(write, job) {
  const wanted = job.proposal?.id === write.fields.proposal ? job.proposal?.to_setpoints : null;
  return Boolean(wanted) && Object.entries(wanted).every(([corner, count]) => write.fields.read_back[corner] === count);
}

/**
 * The set-points stored now, as last read on this tablet or by the service.
 * @param {Job} job
 * @param {Waiting[]} waiting
 * @returns {import("../../context.js").Counts | null}
 */
export function setpointsNow(job, waiting) {
  const read = onTheWay(waiting, job).map(({ fields }) => fields.read_back ?? fields.setpoints);
  return read.filter(Boolean).at(-1) ?? job.setpoints;
}

/** The corners whose set-points there are. @param {Job} job @returns {import("../../context.js").Corner[]} */
export function controlledCorners(job) {
  return job.specification?.controlled_corners ?? Object.keys(job.setpoints ?? { FL: 0, FR: 0, RL: 0, RR: 0 });
}

/**
 * The target of a corner that a height is compared with for slips; null where there is none.
 * @param {Job} job
 * @param {string} corner
 */
export function targetMm(job, corner) {
  const axle = corner.startsWith("F") ? "front" : "rear";
  const target = job.concession?.[`${axle}_target_mm`] ?? job.specification?.[axle]?.target_mm;
  return target === undefined || target === null ? null : Number(target);
}
