/** Everything that may be done in a job besides its next step. */

import { h } from "../../dom.js";
import { facts } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { reasonWords, stateWords } from "../../words.js";
import { link } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render({ job }) {
  const at = (/** @type {string} */ name) => hashOf("job", job.id, name);
  const isClosed = job.closed_at !== null;
  /** @type {[string, string][]} */
  const ways = [
    ["photo", gettext("Take a photo")],
    ["result", gettext("See where it stands")],
    ["findings", gettext("See what was found")],
    ["readiness", gettext("Check readiness again")],
    ["measure", gettext("Measure another round")],
    ["event", gettext("Record what was mended")],
    ["by-hand", gettext("Enter set-points by hand")],
    ["go-back", gettext("Go back to the set-points as found")],
    ["pause", gettext("Pause the job")],
    ["end", gettext("End the job without sign-off")],
  ];
  const [read, work] = [ways.slice(0, 3), isClosed ? [] : ways.slice(3)];
  return {
    heading: gettext("Something else"),
    content: [
      facts([
        [gettext("Job"), gettext("%(number)s, %(state)s", { number: job.number, state: stateWords(job.state) })],
        [gettext("Opened"), dayAndTime(job.opened_at)],
        [gettext("Why it came"), reasonWords(job.reason)],
      ]),
      h("ul", { class: "ways" }, [...read, ...work].map(([name, words]) => h("li", null, link(words, at(name))))),
    ],
    actions: [link(gettext("Back to the job"), hashOf("job", job.id), true)],
  };
}
