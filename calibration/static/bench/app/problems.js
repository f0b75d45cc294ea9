/** What is told to people when a record could not be kept, or was not accepted. */

import { h } from "./dom.js";
import { hashOf } from "./router.js";
import { gettext } from "./texts.js";

/** @typedef {import("./context.js").Content} Content */
/** @typedef {import("./context.js").Kind} Kind */
/** @typedef {import("../offline/types.js").Problem} Problem */
/** @typedef {[text: string, severity: 'note' | 'review' | 'stop', ...more: Content[]]} Told */

/**
 * @param {{code?: unknown}} error
 * @returns {Told}
 */
export function notKept(error) {
  if (error.code === "storage_full") {
    const todo = gettext("Free some room on the tablet, then try again. Nothing that was kept before is lost.");
    return [gettext("No room: this record was not kept"), "stop", h("p", null, todo)];
  }
  if (error.code === "storage_refused") {
    const todo = gettext("Write it on the paper worksheet. Open the app in an ordinary window that may store data.");
    return [gettext("This record was not kept: the browser does not let the app store it"), "stop", h("p", null, todo)];
  }
  const todo = gettext("Try once more. If it fails again, load the app anew, or write it on the paper worksheet.");
  return [gettext("This record was not kept"), "stop", h("p", null, todo)];
}

/** A part of the app could not be fetched. */
export function notLoaded() {
  return gettext("The app did not load completely. Load it again when there is a connection.");
}

/**
 * @param {'refused' | 'dropped'} kind
 * @param {{problem: Problem | null, status: number}} answer
 * @returns {Told}
 */
export function notAccepted(kind, answer) {
  const why = h("p", null, problemWords(answer.problem, answer.status));
  if (kind === "dropped") {
    const todo = gettext("Look at the job as it stands now, and sign again.");
    return [gettext("Your signature was not accepted"), "review", why, h("p", null, todo)];
  }
  const tray = h("p", null, h("a", { href: hashOf("tray") }, gettext("See what was not accepted")));
  return [gettext("A record was not accepted"), "review", why, tray];
}

/**
 * Why, in the service's words.
 * @param {Problem | null} problem
 * @param {number} status
 */
export function problemWords(problem, status) {
  const errors = (problem?.errors ?? []).map(({ detail }) => detail);
  if (errors.length) return errors.join(" ");
  if (problem?.detail ?? problem?.title) return String(problem?.detail ?? problem?.title);
  if (status === 0) return gettext("The service does not answer. Try again when there is a connection.");
  return gettext("The service answered with code %(status)s.", { status });
}

/** @param {Kind} kind */
export function kindWords(kind) {
  /** @type {Record<Kind, string>} */
  const words = {
    job: gettext("Reception of a vehicle"),
    readiness: gettext("Readiness checks"),
    round: gettext("Round of measurement"),
    readings: gettext("Further readings"),
    strike: gettext("Reading struck out"),
    proposal: gettext("Proposal"),
    write: gettext("Write and read-back"),
    photo: gettext("Photo"),
    event: gettext("Work on the vehicle"),
    fitment: gettext("Tyres fitted"),
    concession: gettext("Request for other targets"),
    pause: gettext("Pause"),
    resumption: gettext("Resumption"),
    end: gettext("End of a job"),
    leak_test: gettext("Leak test"),
    height_check: gettext("Height check"),
    reversion: gettext("Going back to as found"),
    sign_off: gettext("Sign-off"),
    other: gettext("Record"),
  };
  return words[kind];
}
