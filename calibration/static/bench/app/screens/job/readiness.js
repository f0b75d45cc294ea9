/** Is the vehicle ready? Every item has its outcome and, where it matters, a note. */

import { fill, h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext, language, ngettext } from "../../texts.js";
import { readinessNow } from "./course.js";
import { textField } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";
import { readinessItems, readinessOutcomes } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {Record<string, {outcome?: string, note?: string}>} Checks */

const MOST_NAMED = 4;

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts } = context;
  const key = `readiness:${job.id}`;
  /** @type {Checks} */
  const checks = drafts.get(key) ?? {};
  const before = readinessNow(job, context.waiting);
  const items = readinessItems(job.specification?.measuring_condition ?? null);
  const left = h("div", { "aria-live": "polite" });
  const record = button(gettext("Record the checks"), once(() => keep(context, key, checks, before)), { kind: "main" });
  const changed = (/** @type {string} */ item, /** @type {object} */ what) => {
    checks[item] = { ...checks[item], ...what };
    drafts.set(key, checks);
    say();
  };
  const say = () => {
    const open = items.filter(([item]) => !isAnswered(checks[item]?.outcome ?? before[item]));
    fill(left, open.length === 0 && isRefused(job, checks) ? notInOrder(job) : h("p", null, openWords(open.map(([, label]) => label))));
    record.disabled = Object.keys(checks).length === 0;
  };
  const rows = items.map((item) => itemRow(context, item, checks, before, changed));
  const list = h("div", { class: "checks" }, rows);
  say();
  return {
    heading: gettext("Is the vehicle ready?"),
    content: [
      job.next_step === "check_readiness" && notice("note", job.next_step_detail.detail),
      takeCare(job),
      list,
      left,
    ],
    actions: [link(gettext("Other steps"), hashOf("job", job.id, "other")), record],
    // What was chosen is in the draft: once the service has answered, it says here what is still missing.
    update: (next) => (next.job && saidOf(next.job) !== saidOf(job) ? "again" : undefined),
  };
}

/** @param {import("../../context.js").Job} job */
function saidOf({ next_step_detail, readiness }) {
  return JSON.stringify([next_step_detail.detail, readiness.merged, readiness.records.length]);
}

/** Every item has its outcome, and one of them keeps the work from going on. @param {import("../../context.js").Job} job @param {Checks} checks */
function isRefused({ next_step }, checks) {
  return next_step === "check_readiness" && Object.keys(checks).length === 0;
}

/** @param {import("../../context.js").Job} job */
function notInOrder({ next_step_detail }) {
  return notice("review", next_step_detail.detail);
}

/** @param {string | undefined} outcome */
function isAnswered(outcome) {
  return outcome !== undefined && outcome !== "not_done";
}

/** @param {string[]} open */
function openWords(open) {
  if (open.length === 0) return gettext("Every item has its outcome.");
  if (open.length > MOST_NAMED) return ngettext("%(count)s item is still open.", "%(count)s items are still open.", open.length);
  const items = new Intl.ListFormat(language()).format(open.map((each) => `“${each}”`));
  return gettext("Still open: %(items)s. “Not checked” leaves an item open.", { items });
}

/**
 * @param {JobContext} context
 * @param {[string, string, string]} item
 * @param {Checks} checks
 * @param {Record<string, string>} before
 * @param {(item: string, what: object) => void} changed
 */
function itemRow({ job }, [item, label, hint], checks, before, changed) {
  const outcome = checks[item]?.outcome ?? (isAnswered(before[item]) ? before[item] : null);
  const mayNotApply = job.specification?.readiness_not_applicable?.includes(item);
  const options = readinessOutcomes().filter(([code]) => code !== "not_applicable" || mayNotApply);
  const note = textField(
    { id: `note-${item}`, label: gettext("What you saw"), value: checks[item]?.note ?? "", optional: true },
  );
  note.element.hidden = outcome !== "fail" && !checks[item]?.note;
  const recorded = noteRecorded(job, item);
  note.input.addEventListener("input", () => changed(item, { note: note.input.value }));
  const choose = (/** @type {string} */ value) => {
    note.element.hidden = value !== "fail" && !note.input.value;
    changed(item, { outcome: value });
  };
  const words = h(
    "div",
    null,
    h("p", { class: "field-label", id: `check-${item}-label` }, label),
    hint ? h("p", { class: "field-hint", id: `check-${item}-hint` }, hint) : null,
  );
  const chosen = options.map(
    ([code, name]) => outcomeChoice(`check-${item}`, code, name, code === outcome, () => choose(code)),
  );
  const named = {
    role: "radiogroup",
    "aria-labelledby": `check-${item}-label`,
    "aria-describedby": hint ? `check-${item}-hint` : null,
  };
  const outcomes = h("div", { class: "check-outcomes", ...named }, chosen);
  return h("div", { class: "check" }, words, outcomes, recorded && h("p", null, gettext("Recorded: %(note)s", { note: recorded })), note.element);
}

/** What was last noted at an item that the service knows. @param {import("../../context.js").Job} job @param {string} item */
function noteRecorded({ readiness }, item) {
  const notes = readiness.records.map((/** @type {any} */ each) => each.checks[item]?.note).filter(Boolean);
  return notes.at(-1) ?? null;
}

/**
 * @param {string} group
 * @param {string} code
 * @param {string} name
 * @param {boolean} checked
 * @param {() => void} change
 */
function outcomeChoice(group, code, name, checked, change) {
  const id = `${group}-${code}`;
  return h(
    "label",
    { class: "choice", for: id },
    h("input", { type: "radio", id, name: group, value: code, checked, change }),
    h("span", null, name),
  );
}

/**
 * A note by itself belongs to the outcome that the item has.
 * @param {JobContext} context
 * @param {string} key
 * @param {Checks} checks
 * @param {Record<string, string>} before
 */
async function keep(context, key, checks, before) {
  const sent = Object.fromEntries(
    Object.entries(checks).map(
      ([item, { outcome = before[item] ?? "not_done", note = "" }]) => [
        item,
        note.trim() ? { outcome, note: note.trim() } : { outcome },
      ],
    ),
  );
  await context.records.readiness(sent, context.drafts.idOf(key));
  context.drafts.clear(key);
  context.navigate(hashOf("job", context.job.id));
}
