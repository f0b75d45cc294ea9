/**
 * The service as a tablet sees it: carries an id out once, keeps the order in which it committed, is restored from
 * backups under a new epoch, and refuses what cannot be taken. It shares no code with the outbox.
 */

export class Server {
  constructor() {
    /** What is committed, in order: {id, mark, vehicle, is_signature, said}. */
    this.log = [];
    this.restores = 0;
    this.backups = [0];
    /** Records whose defect was put right. */
    this.mended = new Set();
    this.signedOut = new Set();
    this.refused = new Set();
  }

  get epoch() {
    return `epoch-${this.restores}`;
  }

  backUp() {
    this.backups.push(this.log.length);
  }

  restore(backup) {
    this.log.length = Math.min(this.log.length, backup);
    this.backups = this.backups.filter((length) => length <= backup);
    this.restores += 1;
  }

  has(id) {
    return this.log.some((entry) => entry.id === id);
  }

  /** How often the vehicle's record changed: what a signature covers. */
  contentHash(vehicle) {
    const covered = this.log.filter((entry) => entry.vehicle === vehicle && !entry.is_signature);
    return covered.map(({ mark }) => mark).join();
  }

  answer({ fields, epoch, person }, now) {
    if (this.signedOut.has(person)) return problem(401, "not_authenticated");
    if (fields === null) return receipt(this, 200, now);
    if (epoch !== null && epoch !== this.epoch) return problem(409, "epoch_changed");
    const { pin, ...content } = fields;
    const said = JSON.stringify(content);
    const first = this.log.find((entry) => entry.id === fields.id);
    if (first) return first.said === said ? receipt(this, 200, now) : this.#refuse(fields.id, 409, "id_reused");
    const refusal = this.refusal(fields);
    if (refusal) return this.#refuse(fields.id, ...refusal);
    const { id, mark, vehicle, is_signature } = content;
    this.log.push({ id, mark, vehicle, is_signature, said });
    return receipt(this, 201, now);
  }

  /** Why these fields are not taken now: [status, type], or null. */
  refusal({ id, vehicle, defect, needs, is_signature, pin, content_sha256 }) {
    if (defect && !this.mended.has(id)) return [defect, "defective"];
    if (needs && !this.has(needs)) return [404, "not_found"];
    if (is_signature && content_sha256 !== this.contentHash(vehicle)) return [409, "record_changed"];
    if (is_signature && pin !== "2718") return [422, "invalid", [{ pointer: "/pin", code: "pin_wrong", detail: "" }]];
    return null;
  }

  #refuse(id, status, type, errors) {
    this.refused.add(id);
    return problem(status, type, errors);
  }
}

const NONE = { status: 0, epoch: null, at: null, retry_after_s: null, problem: null, body: null };

/** Nobody answered. */
export function noAnswer() {
  return { ...NONE };
}

/** A page of the building's wireless that answers whatever is asked. */
export function portal(status) {
  return { ...NONE, status };
}

export function problem(status, type, errors) {
  return { ...NONE, status, problem: { type, status, ...(errors && { errors }) } };
}

export function busy(status) {
  return { ...problem(status, "busy"), retry_after_s: status === 500 ? null : 30 };
}

function receipt(server, status, now) {
  return { ...NONE, status, epoch: server.epoch, at: now };
}
