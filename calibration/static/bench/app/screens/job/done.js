/** The job is closed: its document, and what is still to be done on the vehicle. */

import { fill, h } from "../../dom.js";
import { facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { link, notedInTheJob, section, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

const ASK_EVERY_MS = 3_000;

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job } = context;
  const paper = new Paper(context);
  const followUps = /** @type {Map<string, string>} */ (
    new Map(job.proposals.flatMap((each) => each.follow_ups.map((/** @type {any} */ one) => [one.code, one.detail])))
  );
  return {
    heading: heading(job.state),
    content: [
      notice("note", job.next_step_detail.detail),
      job.closed_at ? facts([[gettext("Closed"), dayAndTime(job.closed_at)], ...ending(job)]) : null,
      paper.element,
      job.writes.length > 0 && followUps.size > 0 && section(
        gettext("To be done before it is used"),
        h("ul", { class: "prose" }, [...followUps.values()].map((each) => h("li", null, each))),
      ),
      notedInTheJob(job.findings.filter((each) => each.in_force && each.code !== "leave_alone")),
      takeCare(job),
    ],
    actions: [
      link(gettext("See where it stands"), hashOf("job", job.id, "result")),
      hasWayBack(job) && link(gettext("Go back to as found, in a new job"), hashOf("open", job.vehicle.vin, job.id)),
      link(gettext("Next vehicle"), hashOf("today"), true),
    ],
    leave: () => paper.leave(),
    update: (next) => paper.connected(next.online),
  };
}

/** @param {import("../../context.js").Job} job */
function hasWayBack({ closed_at, state, as_found, writes }) {
  return closed_at !== null && state !== "reverted" && as_found !== null && writes.length > 0;
}

/** @param {string} state */
function heading(state) {
  if (state === "signed_off") return gettext("Signed off");
  return state === "reverted" ? gettext("Back at earlier set-points") : gettext("Ended");
}

/** @param {import("../../context.js").Job} job @returns {[string, string][]} */
function ending({ end, sign_off }) {
  if (sign_off) return [[gettext("Signed by"), sign_off.recorded_by_name ?? "–"]];
  return end ? [[gettext("Why it ended"), end.reason]] : [];
}

/** The document, which follows in the background: its number, and the way to open it. */
class Paper {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  #next;
  #isLeft = false;
  /** @type {import("../../context.js").Certificate | null} */
  #found = null;
  #address = "";

  /** @param {JobContext} context */
  constructor({ job, reads, online }) {
    this.job = job;
    this.reads = reads;
    this.online = online;
    this.element = h("div", { "aria-live": "polite" });
    this.#say();
    void this.#ask();
  }

  /** @param {boolean} online */
  connected(online) {
    if (online === this.online) return;
    this.online = online;
    if (!this.#address) this.#say();
  }

  leave() {
    this.#isLeft = true;
    clearTimeout(this.#next);
  }

  async #ask() {
    const found = isThere(this.#found) ? this.#found : await this.reads.certificate(this.job.id);
    if (isThere(found)) {
      this.#found = found;
      const file = await this.reads.document(found.number);
      this.#address = file ? URL.createObjectURL(file) : "";
    }
    this.#say();
    if (!this.#address && !this.#isLeft) this.#next = setTimeout(() => void this.#ask(), ASK_EVERY_MS);
  }

  #say() {
    fill(this.element, this.#words());
  }

  #words() {
    const found = this.#found;
    if (!isThere(found)) {
      return h("p", { class: "soft" }, this.online
        ? gettext("The document is being made. You need not wait for it.")
        : gettext("The service makes the document. There is no connection now: it shows here when there is."));
    }
    const kind = found.kind === "certificate" ? gettext("Certificate") : gettext("Findings report");
    return h("div", { class: "stack" }, facts([[kind, h("b", { id: "certificate" }, found.number)]]), this.#way(found));
  }

  /** @param {import("../../context.js").Certificate} found */
  #way({ kind }) {
    if (this.#address) {
      const words = kind === "certificate" ? gettext("Open the certificate") : gettext("Open the findings report");
      return h("p", null, h("a", { class: "button", id: "open-document", href: this.#address, target: "_blank", type: "application/pdf" }, words));
    }
    return h("p", { class: "soft" }, this.online
      ? gettext("It is being fetched from the service …")
      : gettext("It opens from the service, and there is no connection now."));
  }
}

/**
 * @param {import("../../context.js").Certificate | null} found
 * @returns {found is import("../../context.js").Certificate}
 */
function isThere(found) {
  return found?.state === "issued" || found?.state === "replaced";
}
