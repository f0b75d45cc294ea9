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
  /** What the service's clock showed last, and when that was, ms since the page was opened. @type {{at: number, heard: number} | null} */
  #service_time = null;

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
    if (body) await this.cupboard.hold("people", body);
    return body ?? this.knownPeople();
  }

  /** As the service told last. @returns {Promise<Pickable[]>} */
  async knownPeople() {
    return (await this.cupboard.get("people")) ?? [];
  }

  /** Of whoever was at this tablet, also where they are no longer among its people. @param {string} person */
  async nameOf(person) {
    return (await this.cupboard.get(`name:${person}`)) ?? "–";
  }

  /**
   * @param {{id: string, name: string}} person
   * @param {string} pin
   * @returns {Promise<Reply>}
   */
  async pick(person, pin) {
    const reply = await this.letGo(person, pin);
    if (!reply.body) return reply;
    await this.#sit(await this.cupboard.get(`person:${person.id}`));
    await this.readUnits();
    return reply;
  }

  /**
   * What this person recorded goes on its way, whoever is at the tablet and stays there.
   * @param {{id: string, name: string}} person
   * @param {string} pin
   * @returns {Promise<Reply>}
   */
  async letGo({ id, name }, pin) {
    const reply = await this.prove(id, pin);
    if (!reply.body) return reply;
    const { token, expires_at, roles } = reply.body;
    const length = this.person?.id === id ? this.person.length : "mm";
    await this.#keep({ id, name, token, expires_at, roles, length });
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
    return kept && !this.#isOver(kept) ? kept.token : null;
  }

  /**
   * An answer told the service's time: by it tokens end, whatever the clock of this tablet shows.
   * @param {number | null} at ms since 1970
   */
  heardTime(at) {
    if (at !== null) this.#service_time = { at, heard: performance.now() };
  }

  /** Until the service has told its time, it is for the service to say. @param {AtTablet} person */
  #isOver({ expires_at }) {
    if (this.#service_time === null) return false;
    const { at, heard } = this.#service_time;
    return Date.parse(expires_at) <= at + performance.now() - heard;
  }

  /** The service takes this person's token no longer. @param {string} person */
  async forget(person) {
    await this.cupboard.remove(`person:${person}`);
    if (this.person?.id === person) await this.leave();
    else await this.people(); // They may have left the workshop.
  }

  /** @param {AtTablet} person */
  async #sit(person) {
    this.person = person;
    await this.#keep(person);
    await this.cupboard.hold("at_tablet", person.id);
  }

  /** @param {AtTablet} person */
  async #keep(person) {
    if (this.person?.id === person.id) this.person = person;
    await this.cupboard.hold(`person:${person.id}`, person);
    await this.cupboard.hold(`name:${person.id}`, person.name);
  }
}
