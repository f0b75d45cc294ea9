/**
 * Whose tablet this is, and who is at it. Tokens are kept, PINs never: a person's token ends after a shift, and the
 * tablet's when it is revoked.
 */

import { uuid7 } from "../offline/uuid7.js";

/**
 * @typedef {{token: string, tablet: {id: string, name: string}, workshop: {id: string, name: string}}} Enrolled
 * @typedef {{id: string, name: string, token: string, expires_at: string, roles: string[], length: 'mm' | 'inch'}} AtTablet
 * @typedef {{id: string, name: string, has_pin: boolean}} Pickable
 * @typedef {import("./service.js").Reply} Reply
 */

export class Session {
  /** @type {Enrolled | null} */
  enrolled = null;
  /** @type {AtTablet | null} */
  person = null;

  /**
   * @param {import("./cupboard.js").Cupboard} cupboard
   * @param {import("./service.js").Service} service
   */
  constructor(cupboard, service) {
    this.cupboard = cupboard;
    this.service = service;
  }

  async open() {
    this.enrolled = await this.cupboard.get("tablet");
    const id = await this.cupboard.get("at_tablet");
    // Also where their token is over: without network nobody can enter a PIN, and the work goes on.
    this.person = id && (await this.cupboard.get(`person:${id}`));
  }

  /**
   * Make this device a tablet of the workshop. Sent again with the same code it is the same enrolment: an answer that
   * was lost costs no code.
   * @param {string} code
   * @param {string} device
   * @returns {Promise<Reply>}
   */
  async enrol(code, device) {
    const body = await this.#enrolment(code, device);
    const reply = await this.service.send("POST", "/api/v1/enrolments/", null, body);
    if (!reply.body) return reply;
    const { token, tablet, workshop } = reply.body;
    this.enrolled = { token, tablet: { id: tablet.id, name: tablet.name }, workshop };
    await this.cupboard.set("tablet", this.enrolled);
    await this.cupboard.remove("enrolment");
    return reply;
  }

  /**
   * @param {string} code
   * @param {string} device
   */
  async #enrolment(code, device) {
    const begun = await this.cupboard.get("enrolment");
    if (begun?.code === code && begun.device === device) return begun;
    const body = { id: uuid7(), code, device };
    await this.cupboard.set("enrolment", body);
    return body;
  }

  /**
   * Who may be picked; as kept where the service does not answer.
   * @returns {Promise<Pickable[]>}
   */
  async people() {
    const { body } = await this.service.get("/api/v1/tablet/people/", this.enrolled?.token ?? null);
    if (body) await this.cupboard.set("people", body);
    return body ?? (await this.cupboard.get("people")) ?? [];
  }

  /**
   * @param {Pickable} person
   * @param {string} pin
   * @returns {Promise<Reply>}
   */
  async pick(person, pin) {
    const reply = await this.prove(person.id, pin);
    if (!reply.body) return reply;
    const { token, expires_at, roles } = reply.body;
    await this.#sit({ id: person.id, name: person.name, token, expires_at, roles, length: "mm" });
    await this.readUnits();
    return reply;
  }

  /**
   * A token for somebody, by their PIN. Whoever decides one thing while another person stays at the tablet has it for
   * that alone: it is kept nowhere.
   * @param {string} person
   * @param {string} pin
   * @returns {Promise<Reply>}
   */
  prove(person, pin) {
    const body = { id: uuid7(), person, pin };
    return this.service.send("POST", "/api/v1/tablet/person/", this.enrolled?.token ?? null, body);
  }

  /** How this person reads lengths. */
  async readUnits() {
    const { body } = await this.service.get("/api/v1/me/", this.person?.token ?? null);
    if (body && this.person) await this.#sit({ ...this.person, length: body.units.length });
  }

  /**
   * @param {'mm' | 'inch'} length
   * @returns {Promise<Reply>}
   */
  async setUnits(length) {
    const reply = await this.service.send("PUT", "/api/v1/me/units/", this.person?.token ?? null, { length });
    if (reply.body && this.person) await this.#sit({ ...this.person, length });
    return reply;
  }

  /**
   * After the service refused a token: whose it was.
   * @returns {Promise<'person' | 'tablet' | null>} null: it does not answer, and nothing is known
   */
  async whoIsRefused() {
    const { status } = await this.service.get("/api/v1/tablet/", this.enrolled?.token ?? null);
    if (status === 401) return "tablet";
    return status === 200 ? "person" : null;
  }

  /** The service does not know this tablet: it was restored from before its enrolment. */
  async unenrol() {
    this.enrolled = null;
    await this.cupboard.remove("tablet");
    await this.leave();
  }

  /** Somebody else comes. What the last one recorded still goes, as long as their token lasts. */
  async leave() {
    this.person = null;
    await this.cupboard.remove("at_tablet");
  }

  /**
   * The bearer token of whose records these are. Never rejects.
   * @param {string | null} person
   * @returns {Promise<string | null>}
   */
  async token(person) {
    if (person === null) return this.enrolled?.token ?? null;
    const kept = await this.cupboard.get(`person:${person}`).catch(() => null);
    return kept && !isOver(kept) ? kept.token : null;
  }

  /** The service takes this person's token no longer. */
  async forgetPerson() {
    if (this.person) await this.cupboard.remove(`person:${this.person.id}`);
    await this.leave();
  }

  /** @param {AtTablet} person */
  async #sit(person) {
    this.person = person;
    await this.cupboard.set(`person:${person.id}`, person);
    await this.cupboard.set("at_tablet", person.id);
  }
}

/** @param {AtTablet} person */
function isOver(person) {
  return Date.parse(person.expires_at) <= Date.now();
}
