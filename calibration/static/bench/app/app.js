/**
 * The app: who is at the tablet, which screen is shown, what it is given, and what happens when something changed.
 *
 * Whatever may change the screen ends in `refresh`: it gathers the context anew, and the screen is updated, or rendered
 * again where something that it shows is different.
 */

import { StorageFull, StorageRefused } from "../offline/storage_errors.js";
import { appearance } from "./appearance.js";
import { Drafts } from "./drafts.js";
import { h } from "./dom.js";
import { NOBODY, NOTHING_PENDING } from "./frame.js";
import { fetchAhead, notLoaded, sayLoadAgain } from "./loading.js";
import { notAccepted, notKept, problemWords } from "./problems.js";
import { Reads } from "./reads.js";
import { hashOf, routeOf } from "./router.js";
import { renderEnrolment } from "./screens/enrolment.js";
import { storageRefused } from "./screens/refused.js";
import { Service } from "./service.js";
import { Session } from "./session.js";
import { gettext, language, loadLaterTexts, ngettext } from "./texts.js";
import { unitsOf } from "./units.js";

/** @typedef {import("./context.js").Context} Context */
/** @typedef {import("./context.js").Job} Job */
/** @typedef {import("./context.js").Screen} Screen */
/** @typedef {import("../offline/types.js").Event} OutboxEvent */
/** @typedef {import("./cupboard.js").Cupboard} Cupboard */
/** @typedef {import("./sending.js").Sending} Sending */
/** @typedef {typeof import("./shell.js")} Shell */

const ASK_AGAIN_MS = 15_000;
const CHECK_EVERY = 4;

export class App {
  online = navigator.onLine;
  /** @type {Sending | null} */
  sending = null;
  /** @type {Screen | null} */
  screen = null;
  /** What an enrolled tablet needs besides. @type {Shell | null} */
  #shell = null;
  /** @type {'ready' | 'insecure' | 'unable' | null} */
  installation = null;
  /** What brings all parts at once: a worker that is being installed. @type {Promise<unknown> | null} */
  underWay = null;
  /** @type {{persisted: boolean, used: number | null, quota: number | null} | null} */
  storage = null;
  #shown = { place: "", figure: "" };
  /** Of what the frame told last. @type {Context | null} */
  #told = null;
  #ticks = 0;
  #isMindingRefusal = false;
  #queue = Promise.resolve();
  unknownJobs = /** @type {Set<string>} */ (new Set()); // ids of jobs that the service does not know

  /** @param {import("./frame.js").Frame} frame @param {Cupboard} cupboard */
  constructor(frame, cupboard) {
    this.frame = frame;
    this.cupboard = cupboard;
    this.service = new Service((reply) => this.answered(reply));
    this.session = new Session(this.cupboard, this.service);
    const token = () => this.session.person?.token ?? null;
    this.reads = new Reads(cupboard, this.service, token, () => this.session.people());
    this.drafts = new Drafts(this.cupboard, this.#retell, (key) => this.#recordedElsewhere(key));
  }

  /** @param {Screen | null} first what is shown already: the enrolment of a tablet that nobody has enrolled yet */
  async start(first) {
    try {
      await this.session.open();
      await this.drafts.open();
      await this.reads.sweep(() => this.drafts.keys);
    } catch (error) {
      if (!(error instanceof StorageRefused || error instanceof StorageFull)) throw error;
      this.frame.mount();
      return this.#only(storageRefused());
    }
    const isWhole = !this.session.enrolled || (await this.#loadShell());
    if (!first) this.frame.mount();
    if (!isWhole) return this.#only({ heading: "Levelbook", content: null });
    this.openOutbox();
    if (this.sending) await this.drafts.clearRecorded(this.sending);
    this.#listen();
    if (!first || this.session.enrolled) return this.show();
    this.screen = first; // What is typed there meanwhile stays.
    this.#shown.place = this.#place({ route: routeOf(location.hash) });
    await this.refresh();
  }

  /** The parts that the first screen of a tablet does without: they are fetched once it is there. */
  async loadRest() {
    const isWhole = (await this.#loadShell()) && (await this.#loadJobScreens());
    if (isWhole) this.storage = (await this.#shell?.askForPersistence().catch(() => null)) ?? null;
    else sayLoadAgain(this.frame);
  }

  /** @returns {Promise<boolean>} whether it is there */
  async #loadShell() {
    await this.underWay;
    fetchAhead("shell");
    this.#shell ??= await Promise.all([import("./shell.js"), loadLaterTexts()]).then(([shell]) => shell, () => null);
    return this.#shell !== null;
  }

  /** @returns {Promise<boolean>} whether they are there */
  async #loadJobScreens() {
    fetchAhead("job");
    return this.#shell?.loadJobScreens().then(() => true, () => false) ?? false;
  }

  /** Make this device a tablet of a workshop, once it has what it then needs. @param {string} code @param {string} device */
  async enrol(code, device) {
    if (!(await this.#loadShell())) return notLoaded();
    const reply = await this.session.enrol(code, device);
    if (!reply.body) return problemWords(reply.problem, reply.status);
    history.replaceState(null, "", hashOf("today"));
    this.openOutbox();
    await this.show();
    return null;
  }

  /** The outbox of the workshop that the tablet is enrolled in. */
  openOutbox() {
    const workshop = this.session.enrolled?.workshop.id;
    if (!workshop || !this.#shell) return;
    const { Sending, keepHeads, workshopKey } = this.#shell;
    if (this.sending?.workshop === workshop) return this.sending.sender.wake();
    this.sending?.sender.stop();
    this.sending = new Sending({
      workshop,
      token: (person) => this.session.token(person),
      answered: (answer) => this.answered(answer),
      happened: (event) => void this.#happened(event),
      passed: (report) => {
        if (report.storage_full) this.frame.say(...notKept({ code: "storage_full" }));
        if (this.session.person && report.sign_in.has(this.session.person.id)) void this.refused();
        void this.refresh();
      },
      failed: (failure) => this.#failed(failure),
      writes: () => (this.#retell(), void this.refresh()),
    });
    this.sending.sender.wake();
    void workshopKey(this).catch(() => null); // The storage says so where it matters.
    keepHeads(this);
    void this.sending.vehicles().then((vehicles) => this.reads.forgetAllBut(vehicles)).catch(() => null);
  }

  /** The screen that the address asks for. */
  async show() {
    this.screen?.leave?.();
    this.screen = null;
    await this.refresh();
    const { name, rest } = routeOf(location.hash);
    if (name === "job" && rest[0]) await this.readJob(rest[0]);
    await this.#recogniseSignatures();
  }

  /**
   * Ask for a job, and show what changed.
   * @param {string} id
   */
  async readJob(id) {
    if (!this.session.person) return;
    const job = await this.reads.refresh(id);
    await this.#recogniseSignature(id);
    if (job) this.unknownJobs.delete(id);
    else if (this.online) this.unknownJobs.add(id);
    await this.refresh();
  }

  /** Of a signature whose receipt was lost on the way the job itself tells. @param {string} id */
  async #recogniseSignature(id) {
    const read = await this.reads.job(id);
    const signature = read?.body.sign_off?.id;
    if (signature && read.epoch) await this.sending?.outbox.recognise(signature, read.epoch);
  }

  /** What waits for its PIN once more, since the server was restored, may be in its backup all the same. */
  async #recogniseSignatures() {
    for (const { path } of (await this.sending?.outbox.intents()) ?? []) {
      await this.readJob(path.split("/").at(-3) ?? "");
    }
  }

  /** Another tab recorded what this one may still show as to be recorded. @param {string} key of its draft */
  #recordedElsewhere(key) {
    const { name, rest } = routeOf(location.hash);
    if (name === "job" && rest[0] && key.includes(rest[0])) void this.show();
  }

  /** Something changed. One after the other, so that what is newest is shown last. */
  refresh() {
    this.#queue = this.#queue.then(() => this.#refresh()).catch((error) => this.#failed(error));
    return this.#queue;
  }

  async #refresh() {
    const context = await this.#context();
    await this.frame.untouched();
    if (this.#isLeft(context)) return;
    this.#tell(context);
    const place = this.#place(context);
    const figure = JSON.stringify(this.#figure(context));
    if (place === this.#shown.place && this.screen) {
      const isOther = this.screen.update ? this.screen.update(context) === "again" : figure !== this.#shown.figure;
      if (isOther) this.#draw(context, false);
    } else this.#draw(context, place !== this.#shown.place);
    this.#shown = { place, figure };
  }

  /**
   * @param {Context} context
   * @param {boolean} isNew
   */
  #draw(context, isNew) {
    if (!isNew) this.screen?.leave?.();
    this.screen = this.session.enrolled && this.#shell ? this.#shell.screenFor(this, context) : renderEnrolment((code, device) => this.enrol(code, device));
    this.frame.show(this.screen, isNew);
  }

  #retell = () => this.#told && this.#tell(this.#told);

  /** @param {Context} context */
  #tell(context) {
    this.#told = context;
    const { job, online, pending, person } = context;
    const isTyping = job !== null && this.drafts.get(`round:${job.id}`)?.readings.length > 0;
    const told = { vehicle: job?.vehicle ?? null, online, pending, outbox: this.sending?.knows(pending) ?? "unread" };
    this.frame.tell({ ...told, person: this.session.person ? person.name : null, isTyping });
  }

  /** The address is another one than when this was gathered. @param {Pick<Context, 'route'>} context */
  #isLeft({ route }) {
    return JSON.stringify(route) !== JSON.stringify(routeOf(location.hash));
  }

  /** Which screen it is: another one takes the focus. @param {Pick<Context, "route">} context */
  #place({ route }) {
    const { enrolled, person } = this.session;
    return JSON.stringify([enrolled?.tablet.id, person?.id, route]);
  }

  /** What a screen without `update` shows of what may change. @param {Context} context */
  #figure({ job, waiting, absent, online, units, hand, route }) {
    const about = job && [job.content_sha256, job.next_step, job.approval?.state, job.sign_off?.id];
    const unread = this.unknownJobs.has(route.rest[0]);
    return [about, waiting.map(({ id, state }) => [id, state]), absent, online, units.length, hand, unread, this.installation, this.#shell?.hasJobScreens()];
  }

  /** @returns {Promise<Context>} */
  async #context() {
    const route = routeOf(location.hash);
    const id = route.name === "job" ? (route.rest[0] ?? null) : null;
    // What was sent since is told by the time of this very answer: the two are read together.
    const read = id ? await this.reads.job(id) : null;
    const person = this.session.person;
    const job = person && read ? read.body : null;
    const opening = /** @type {{vehicle: string} | null} */ (this.drafts.get(`opening:${id}`));
    const vehicle = job?.vehicle.id ?? opening?.vehicle ?? null;
    const units = unitsOf(person?.length ?? "mm", language());
    const waiting = vehicle && this.sending ? await this.sending.waitingOf(vehicle, read?.at ?? 0) : [];
    return {
      route,
      job: this.#shell?.readIn(job, units) ?? null,
      read_at: read?.at ?? null,
      waiting,
      absent: (await this.#shell?.absentOf(this.session, waiting)) ?? [],
      online: this.online,
      pending: (await this.sending?.pending()) ?? NOTHING_PENDING,
      person: { id: person?.id ?? "", name: person?.name ?? "" },
      units,
      hand: appearance().hand,
      navigate: (hash) => void (this.#isLeft({ route }) || this.navigate(hash)),
      .../** @type {Pick<Context, "records" | "intents">} */ (this.#shell && this.#records(this.#shell, job, person?.id ?? "")),
      reads: this.reads,
      drafts: this.drafts,
      say: (text, severity = "note") => this.frame.say(text, severity),
    };
  }

  /**
   * @param {Shell} shell
   * @param {Job | null} job
   * @param {string} person
   */
  #records({ intentsOf, recordsOf }, job, person) {
    const sending = /** @type {Sending} */ (this.sending);
    const notKeptHere = (/** @type {any} */ error) => this.frame.say(...notKept(error));
    const desk = { sending, session: this.session, person, job, remember: this.reads.remember.bind(this.reads), notKept: notKeptHere };
    return { records: recordsOf(desk), intents: intentsOf(desk) };
  }

  /** @param {string} hash */
  navigate(hash) {
    if (location.hash === hash) void this.show();
    else location.hash = hash;
  }

  /** @param {{status: number, problem: import("../offline/types.js").Problem | null, at?: number | null, person?: string | null}} answer */
  answered({ status, problem, at = null, person = null }) {
    this.session.heardTime(at);
    if (problem?.type === "tablet_revoked") return void this.wipe();
    if (problem?.type === "signed_out") return; // Said by this tablet itself: it did not ask.
    if (status === 401 && problem) void this.refused(person);
    const isBack = status > 0 && !this.online;
    if (this.online !== status > 0) {
      this.online = status > 0;
      void this.refresh();
    }
    if (isBack) this.sending?.sender.online();
  }

  /**
   * A token is refused, or it is over: once the service can be asked, the PIN is asked for, or a new enrolment.
   * @param {string | null} [whose] null: of whoever is at the tablet
   */
  async refused(whose = null) {
    if (this.#isMindingRefusal) return;
    this.#isMindingRefusal = true;
    const who = await this.session.whoIsRefused();
    this.#isMindingRefusal = false;
    const isAbsent = whose !== null && whose !== this.session.person?.id;
    if (who === "person" && isAbsent) {
      await this.session.forget(whose);
      await this.refresh();
    } else if (who === "person" && this.session.person) {
      await this.session.forget(this.session.person.id);
      await this.refresh();
      this.frame.say(gettext("Enter your PIN again. What you recorded is kept and goes on its way afterwards."), "review");
    } else if (who === "tablet" && this.session.enrolled) {
      await this.session.unenrol();
      await this.refresh();
      this.frame.say(gettext("The service does not know this tablet. Enrol it again: its records are kept."), "review");
    }
  }

  /** This tablet was revoked: nothing of the workshop stays on it. */
  async wipe() {
    const sending = this.sending;
    this.sending = null;
    this.session.enrolled = this.session.person = null;
    await Promise.all([sending?.destroy(), this.cupboard.destroy()]);
    localStorage.clear();
    await this.reads.sweep();
    history.replaceState(null, "", hashOf("today"));
    await this.refresh();
    const told = gettext("What it held of the workshop has been removed. To use it again, enrol it again.");
    this.frame.say(gettext("This tablet was revoked"), "stop", h("p", null, told));
  }

  /** @param {OutboxEvent} event */
  async #happened(event) {
    if (event.kind === "restored") return this.#restored(event.count);
    if (event.kind !== "sent") this.frame.say(...notAccepted(event.kind, event.answer));
    const { name, rest } = routeOf(location.hash);
    if (name === "job" && rest[0]) await this.readJob(rest[0]);
  }

  /** @param {number} count */
  #restored(count) {
    const text = ngettext(
      "The service was restored from a backup. %(count)s record that this tablet had sent is sent once more.",
      "The service was restored from a backup. %(count)s records that this tablet had sent are sent once more.",
      count,
    );
    this.frame.say(text, "review");
    void this.#recogniseSignatures();
  }

  #listen() {
    addEventListener("hashchange", () => void this.show());
    addEventListener("online", () => void this.sending?.check());
    addEventListener("offline", () => this.answered({ status: 0, problem: null }));
    document.addEventListener("visibilitychange", () => this.#tick());
    setInterval(() => this.#tick(), ASK_AGAIN_MS);
  }

  /** While somebody looks: is the service there, and what did others do to this job? */
  #tick() {
    if (document.visibilityState !== "visible") return;
    this.#ticks += 1;
    const { name, rest } = routeOf(location.hash);
    if (!this.online || this.#ticks % CHECK_EVERY === 0) void this.sending?.check();
    else if (name === "job" && rest[0]) void this.readJob(rest[0]);
    void this.#recogniseSignatures();
  }

  /** @param {Screen} screen */
  #only(screen) {
    this.frame.tell({ ...NOBODY, online: this.online });
    this.frame.show(screen, true);
  }

  /** Only what the storage refused was not kept; anything else is a fault of the app. @param {unknown} error */
  #failed(error) {
    if (error instanceof StorageRefused || error instanceof StorageFull) this.frame.say(...notKept(error));
    else reportError(error);
  }
}
