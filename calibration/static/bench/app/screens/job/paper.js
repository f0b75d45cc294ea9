/** A round that was noted on the paper worksheet: when, by whom and with what; the figures follow corner by corner. */

import { fill, h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { selectField } from "./fields.js";
import * as measure from "./measure.js";
import { momentFields } from "./moment.js";
import { link } from "./parts.js";
import { begun, draftKey } from "./round.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, navigate, person, reads } = context;
  if (measure.isBegun(context)) return measure.render(context);
  const habits = { instrument: "", reader: "" };
  const [withWhat, who, doubt] = [h("div", null), h("div", null), h("div", { "aria-live": "polite" })];
  /** @type {import("../../context.js").Instrument[]} */
  let instruments = [];
  /** @type {import("../../context.js").Person[]} */
  let others = [];
  const when = momentFields({
    day: gettext("Day on the sheet"),
    time: gettext("Time on the sheet"),
    changed: () => fill(doubt, beforeOpening(when.typed(), job)),
  });
  const begin = () => {
    const [paper, instrument] = [when.read(), instruments.find((each) => each.id === habits.instrument)];
    if (!paper || !instrument) return;
    const how = { instrument: measure.chosen(instrument), reader: measure.readerAmong(others, habits), order: WALKED, paper };
    drafts.set(draftKey(job), begun(how));
    navigate(hashOf("job", job.id, "corners"));
  };
  const start = button(gettext("Begin copying"), begin, { kind: "main", disabled: true });
  void reads.instruments().then((found) => {
    instruments = found;
    habits.instrument = found[0]?.id ?? "";
    fill(withWhat, measure.instrumentField(found, habits));
    start.disabled = found.length === 0;
  });
  void reads.people().then((people) => {
    others = people.filter(({ id }) => id !== person.id);
    fill(who, measurerField(others, habits));
  });
  return {
    heading: gettext("From the paper worksheet"),
    content: [
      h("p", null, gettext("For a round that was measured before and noted on paper. Copy it as it stands there.")),
      h(
        "div",
        { class: "bench-split" },
        h("div", { class: "stack" }, when.element, doubt),
        h("div", { class: "stack" }, who, withWhat),
      ),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), start],
    update: () => undefined,
  };
}

/** In the order of the sheet. */
const WALKED = /** @type {const} */ ("corner");

/** @param {string | null} at @param {import("../../context.js").Job} job */
function beforeOpening(at, job) {
  if (!at || Date.parse(at) >= Date.parse(job.opened_at) - 60_000) return null;
  const values = { at: dayAndTime(job.opened_at) };
  return notice(
    "review",
    gettext("That is before the job was opened, on %(at)s", values),
    h("p", null, gettext("Look at the sheet again. If it stands, copy it all the same: a manager will be asked.")),
  );
}

/** @param {{id: string, name: string}[]} others @param {{reader: string}} habits */
function measurerField(others, habits) {
  const field = selectField(
    { id: "measurer", label: gettext("Who measured"), value: habits.reader },
    [["", gettext("I did")], ...others.map(({ id, name }) => /** @type {[string, string]} */ ([id, name]))],
  );
  field.input.addEventListener("change", () => (habits.reader = field.input.value));
  return field.element;
}
