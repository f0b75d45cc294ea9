/** Before a round: what it is measured with, who reads, and in which order. */

import { fill, h } from "../../dom.js";
import { button, choices, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext, ngettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { cutShortAfterS } from "./at_rest.js";
import { stepNow } from "./course.js";
import { selectField } from "./fields.js";
import { link, takeCare } from "./parts.js";
import { begun, draftKey, measurersOf } from "./round.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("./round.js").RoundDraft} RoundDraft */
/** @typedef {{instrument: string, reader: string, order: 'corner' | 'walk'}} Habits */

const HABITS = "measuring";

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  return isBegun(context) ? goOn(context, context.drafts.get(draftKey(context.job))) : begin(context);
}

/** Whether readings of a round were taken that are on no record yet. @param {JobContext} context */
export function isBegun({ job, drafts }) {
  const draft = /** @type {RoundDraft | null} */ (drafts.get(draftKey(job)));
  return draft !== null && draft.round === null && draft.readings.length > 0;
}

/** @param {JobContext} context @param {RoundDraft} draft @returns {import("../../context.js").Screen} */
function goOn({ job, drafts, navigate }, draft) {
  const again = () => {
    drafts.clear(draftKey(job));
    navigate(hashOf("job", job.id, "measure"));
  };
  return {
    heading: gettext("A round is begun"),
    content: [
      whoseReadings(draft),
      draft.paper
        ? notice("note", gettext("It is copied from the paper worksheet"))
        : notice("note", gettext("Go on only if nothing on the vehicle was changed or moved since")),
      h("details", { class: "confirm confirm-dangerous" },
        h("summary", { class: "button button-danger" }, gettext("Begin anew …")),
        h("div", { class: "confirm-step" },
          h("p", null, gettext("The readings taken so far are thrown away. They are on no record yet.")),
          button(gettext("Throw them away"), again, { kind: "danger", final: true }),
        ),
      ),
    ],
    actions: [link(gettext("Go on measuring"), hashOf("job", job.id, "corners"), true)],
  };
}

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
function begin(context) {
  const { job, drafts, navigate, reads } = context;
  /** @type {Habits} */
  const habits = { instrument: "", reader: "", order: "corner", ...drafts.get(HABITS) };
  const keep = () => drafts.set(HABITS, habits);
  const [withWhat, who] = [h("div", null), h("div", null)];
  /** @type {import("../../context.js").Instrument[]} */
  let instruments = [];
  /** @type {import("../../context.js").Person[]} */
  let others = [];
  const start = button(gettext("Begin measuring"), () => {
    const instrument = instruments.find((each) => each.id === habits.instrument);
    if (!instrument) return;
    keep();
    const how = { instrument: chosen(instrument), reader: readerAmong(others, habits), order: habits.order };
    drafts.set(draftKey(job), begun({ ...how, settling_cut_short_s: cutShortAfterS(context) }));
    navigate(hashOf("job", job.id, "corners"));
  }, { kind: "main", disabled: true });
  void reads.instruments().then((found) => {
    instruments = found;
    if (!found.some((each) => each.id === habits.instrument)) habits.instrument = found[0]?.id ?? "";
    fill(withWhat, instrumentField(found, habits));
    start.disabled = found.length === 0;
  });
  void people(context).then((found) => {
    others = found;
    fill(who, readerField(others, habits));
  });
  return {
    heading: gettext("Before you measure"),
    content: [
      stepNow(job, context.waiting) === job.next_step && notice("note", job.next_step_detail.detail),
      takeCare(job, "measure"),
      h(
        "div",
        { class: "bench-split" },
        h("div", { class: "stack" }, howTo(), withWhat),
        h("div", { class: "stack" }, who, orderChoice(habits, keep)),
      ),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      link(gettext("Copy from paper"), hashOf("job", job.id, "paper")),
      start,
    ],
    update: () => undefined,
  };
}

/**
 * The readings taken so far are recorded as of whoever took them, whoever goes on.
 * @param {RoundDraft} draft
 */
export function whoseReadings(draft) {
  const lines = measurersOf(draft).map(({ name, read_at, count }) => h("li", null, ngettext(
    "%(count)s reading by %(name)s, %(at)s",
    "%(count)s readings by %(name)s, %(at)s",
    count,
    { name, at: dayAndTime(read_at) },
  )));
  return h("ul", { class: "prose measurers" }, lines);
}

function howTo() {
  return h(
    "ol",
    { class: "prose" },
    h("li", null, gettext("Two tape marks at each corner: hub centre, and wheel arch directly above.")),
    h("li", null, gettext("Read every corner twice. Take the tape away between the two.")),
    h("li", null, gettext("Then read the stored set-points with your tool.")),
  );
}

/** @param {Habits} habits @param {() => void} keep */
function orderChoice(habits, keep) {
  return choices({
    id: "order",
    label: gettext("In which order"),
    options: [
      ["corner", gettext("Twice at each corner")],
      ["walk", gettext("Once round the vehicle, then once more")],
    ],
    value: habits.order,
    changed: (value) => {
      habits.order = /** @type {Habits["order"]} */ (value);
      keep();
    },
  });
}

/** @param {import("../../context.js").Instrument} instrument @returns {RoundDraft["instrument"]} */
export function chosen({ id, serial, length_mm }) {
  return { id, serial, length_mm: length_mm ? Number(length_mm) : null };
}

/** @param {import("../../context.js").Instrument[]} found @param {{instrument: string}} habits */
export function instrumentField(found, habits) {
  if (found.length === 0) {
    return notice(
      "review",
      gettext("No instrument is known on this tablet"),
      h(
        "p",
        null,
        gettext("A manager enters tapes and rules under “Instruments”. The list comes with the connection."),
      ),
    );
  }
  const kinds = { tape: gettext("tape"), rule: gettext("rule"), laser: gettext("laser") };
  const field = selectField(
    { id: "instrument", label: gettext("Measured with"), value: habits.instrument },
    found.map((each) => [each.id, `${each.serial}, ${kinds[/** @type {keyof kinds} */ (each.kind)] ?? each.kind}`]),
  );
  field.input.addEventListener("change", () => (habits.instrument = field.input.value));
  return field.element;
}

/** @param {JobContext} context */
async function people({ reads, person }) {
  return (await reads.people()).filter((each) => each.id !== person.id);
}

/**
 * Who reads the tape; null: who types.
 * @param {import("../../context.js").Person[]} others
 * @param {{reader: string}} habits
 */
export function readerAmong(others, { reader }) {
  const found = others.find(({ id }) => id === reader);
  return found ? { id: found.id, name: found.name } : null;
}

/** @param {{id: string, name: string}[]} others @param {Habits} habits */
function readerField(others, habits) {
  if (others.length === 0) return null;
  if (!others.some((each) => each.id === habits.reader)) habits.reader = "";
  const field = selectField(
    {
      id: "reader",
      label: gettext("Who reads the tape"),
      hint: gettext("Where another person reads and calls, you type: say each number back."),
      value: habits.reader,
    },
    [
      ["", gettext("I read and type")],
      ...others.map(
        (each) => /** @type {[string, string]} */ ([each.id, gettext("%(name)s calls, I type", { name: each.name })]),
      ),
    ],
  );
  field.input.addEventListener("change", () => (habits.reader = field.input.value));
  return field.element;
}
