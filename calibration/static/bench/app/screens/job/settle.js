/** Let the vehicle find its level before it is measured again: what to do, how long, everybody clear. */

import { fill, h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { restKey, SECONDS_AT_REST, secondsSince } from "./at_rest.js";
import { stepNow } from "./course.js";
import * as measure from "./measure.js";
import { link, takeCare } from "./parts.js";
import { draftKey } from "./round.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** Jobs of which it was asked whether the wait may be cut short: still asked where an answer has the screen drawn anew. */
const asked = new Set();

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, navigate } = context;
  const key = restKey(job);
  const draft = drafts.get(draftKey(job));
  if (draft?.round === null && draft.readings.length > 0) return measure.render(context);
  const clock = stopwatch(drafts.get(key));
  const begin = button(gettext("It is back at its normal position"), () => {
    if (!drafts.get(key)) drafts.set(key, Date.now());
    clock.start(drafts.get(key));
  });
  const goOn = () => {
    asked.delete(job.id);
    navigate(hashOf("job", job.id, "measure"));
  };
  const cutShort = h("div", { "aria-live": "assertive" });
  const ask = () => fill(cutShort, tooSoon(secondsSince(drafts.get(key)), goOn));
  if (asked.has(job.id) && secondsSince(drafts.get(key)) < SECONDS_AT_REST) ask();
  /** Whether it may be cut short is the technician's to say, once. */
  const askOrGoOn = () => {
    if (secondsSince(drafts.get(key)) >= SECONDS_AT_REST) return goOn();
    asked.add(job.id);
    ask();
    return cutShort.scrollIntoView({ block: "nearest" });
  };
  return {
    heading: gettext("Let it settle"),
    content: [
      stepNow(job, context.waiting) === job.next_step
        ? notice("note", job.next_step_detail.detail)
        : notice(
          "note",
          gettext("The write is kept. The vehicle must find its new level before it is measured again."),
        ),
      h(
        "div",
        { class: "bench-split" },
        h("div", { class: "stack" }, whatToDo(), h("p", null, begin), clock.element, cutShort),
        takeCare(job, "settle_and_measure"),
      ),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      button(gettext("It stands still: measure"), askOrGoOn, { kind: "main" }),
    ],
    update: () => undefined,
    leave: clock.stop,
  };
}

/** @param {number} seconds @param {() => void} goOn */
function tooSoon(seconds, goOn) {
  const words = gettext("Only %(seconds)s s of %(all)s s have passed", { seconds, all: SECONDS_AT_REST });
  return notice(
    "review",
    words,
    h("p", null, gettext("A vehicle that still sinks gives heights that contradict the next round. Go on all the same?")),
    h("p", null, gettext("The round then says that the wait was cut short.")),
    h("p", null, button(gettext("Measure now"), goOn)),
  );
}

function whatToDo() {
  return h(
    "ol",
    { class: "prose" },
    h("li", null, gettext("Everybody stands clear; nobody is in the pit, aboard, or leaning on the vehicle.")),
    h("li", null, gettext("Raise the suspension.")),
    h("li", null, gettext("Let it come back down to its normal ride position.")),
    h(
      "li",
      null,
      gettext(
        "Wait until it stands still: as long as the manufacturer says, and at least two minutes without pump noise.",
      ),
    ),
  );
}

/** How long it has stood. @param {number | null} since ms since 1970 */
function stopwatch(since) {
  const element = h("p", { class: "figure", role: "timer" });
  /** @type {ReturnType<typeof setInterval> | undefined} */
  let ticking;
  const show = (/** @type {number} */ from) => {
    const seconds = secondsSince(from);
    const time = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    fill(
      element,
      time,
      " ",
      h("span", { class: "unit" }, seconds < SECONDS_AT_REST ? gettext("of 2:00 min at rest") : gettext("min at rest")),
    );
  };
  const start = (/** @type {number} */ from) => {
    clearInterval(ticking);
    show(from);
    ticking = setInterval(() => show(from), 1000);
  };
  if (since) start(since);
  return { element, start, stop: () => clearInterval(ticking) };
}
