/** The day's jobs, and the way to any vehicle. */

import { fill, h } from "../dom.js";
import { empty } from "../parts.js";
import { hashOf } from "../router.js";
import { gettext } from "../texts.js";
import { reasonWords, stateWords } from "../words.js";
import { hints } from "./hints.js";
import { finder } from "./vehicle.js";

/** @typedef {import("../context.js").JobSummary} JobSummary */

/**
 * @param {import("../context.js").Context} context
 * @param {import("../app.js").App} app
 * @returns {import("../context.js").Screen}
 */
export function renderToday(context, app) {
  const list = h("div", null, h("p", { class: "soft" }, gettext("Reading today's jobs …")));
  const told = h("div", { class: "stack" }, hints(app));
  const read = async () => {
    const jobs = await context.reads.today();
    fill(list, jobs.length ? jobList(jobs) : noJobs());
    await app.reads.keepAhead(jobs);
  };
  void read();
  let seen = context.pending.count;
  const update = (/** @type {import("../context.js").Context} */ { pending }) => {
    fill(told, hints(app));
    if (pending.count !== seen) void read();
    seen = pending.count;
  };
  return {
    heading: gettext("Today"),
    content: h(
      "div",
      { class: "stack" },
      told,
      finder(context),
      h("section", { "aria-labelledby": "jobs" }, h("h2", { id: "jobs", class: "section-head" }, gettext("Jobs of today")), list),
    ),
    update,
  };
}

/** @param {JobSummary[]} jobs */
function jobList(jobs) {
  return h("ul", { class: "bench-list" }, ...jobs.map((job) => h("li", null, jobLink(job))));
}

/** @param {JobSummary} job */
function jobLink(job) {
  const { registration, vin } = job.vehicle;
  return h(
    "a",
    { class: "bench-line", href: hashOf("job", job.id) },
    h("b", { class: "vehicle-registration" }, registration || "–"),
    h("span", null, gettext("VIN ends in"), " ", h("b", null, vin.slice(-6))),
    h("span", null, reasonWords(job.reason)),
    h("span", { class: job.closed_at ? "state state-closed" : "state" }, stateWords(job.state)),
  );
}

function noJobs() {
  return empty(h("p", null, gettext("No job is open. Find the vehicle above and open one.")));
}
