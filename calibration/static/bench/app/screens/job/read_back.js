/** What the control unit holds after the write, as the tool reads it. */

import { fill, h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { restKey } from "./at_rest.js";
import { baseOf, shownIn } from "./bases.js";
import { countFields } from "./counts.js";
import { controlledCorners, onTheWay } from "./course.js";
import { count } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";
import * as write from "./write.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {{proposal: string, written_at: string, typed: Record<string, string>}} Written */

/** @param {import("../../context.js").Job} job */
export function writtenKey(job) {
  return `written:${job.id}`;
}

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts } = context;
  const written = /** @type {Written | null} */ (drafts.get(writtenKey(job)));
  if (!written || written.proposal !== job.proposal?.id) return write.render(context);
  const wanted = job.proposal.to_setpoints;
  const words = h("div", { class: "stack", "aria-live": "polite" });
  const say = (/** @type {HTMLElement | null} */ question = null) => {
    const shown = (/** @type {number | undefined} */ each) => shownIn(each, baseOf(context));
    fill(words, comparison(controlledCorners(job), wanted, written.typed, shown), question);
  };
  const fields = countFields(context, {
    id: "back",
    typed: written.typed,
    changed: () => {
      drafts.set(writtenKey(job), written);
      say();
    },
    done: () => askOrStore(),
    hint: (corner, shown) => gettext("to be stored: %(count)s", { count: shown(wanted[corner]) }),
  });
  const store = once(async () => {
    const read_back = fields.read();
    if (!read_back) return false;
    const { proposal, written_at } = written;
    const kept = await context.records.write({ proposal, written_at, read_back }, drafts.idOf(writtenKey(job)));
    drafts.clear(writtenKey(job));
    drafts.clear(restKey(job)); // It moves now, and settles anew.
    drafts.set(`last:${job.id}`, { write: kept.id });
    return context.navigate(hashOf("job", job.id));
  });
  /** A slip of the finger is asked about before it is a record; what the tool really shows is never refused. */
  const askOrStore = () => {
    const read_back = fields.read();
    if (!read_back) return;
    const [other] = differing(controlledCorners(job), wanted, read_back);
    if (!other) return void store();
    const question = doubt(() => void store(), () => correct(other));
    say(question);
    question.focus({ preventScroll: true });
    question.scrollIntoView({ block: "nearest" });
  };
  say();
  queueMicrotask(fields.focus);
  return {
    heading: gettext("Read back"),
    content: [
      h("p", null, gettext("Read the set-points from the control unit again and type what it shows, right or wrong.")),
      fields.element,
      words,
      takeCare(job, "write"),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      button(gettext("Record the write"), askOrStore, { kind: "main" }),
    ],
    update: () => undefined,
  };
}

/** Whether the tool really shows what was typed. @param {() => void} record @param {() => void} change */
function doubt(record, change) {
  return h(
    "section",
    { class: "confirm-step", tabindex: "-1" },
    h("p", null, h("strong", null, gettext("Does your tool really show that?"))),
    h("p", null, gettext("A slip of the finger is put right now. What the tool shows is recorded as it is, and a manager rules on it before the sign-off.")),
    h(
      "div",
      { class: "actions" },
      button(gettext("Correct what was typed"), change),
      button(gettext("The tool shows that: record it"), record, { kind: "main" }),
    ),
  );
}

/** @param {Corner} corner */
function correct(corner) {
  const input = /** @type {HTMLInputElement | null} */ (document.getElementById(`back-${corner}`));
  input?.focus();
  input?.select();
}

/** @typedef {(count: number | undefined) => string} Shown */

/**
 * Where what was read back is not what was to be stored.
 * @param {Corner[]} corners
 * @param {Record<string, number>} wanted
 * @param {Record<string, number | null>} read null where nothing readable was typed yet
 */
function differing(corners, wanted, read) {
  return corners.filter((corner) => (read[corner] ?? null) !== null && read[corner] !== wanted[corner]);
}

/**
 * Of the open proposal's last write, on this tablet or at the service: what the control unit did not take.
 * @param {JobContext} context
 * @returns {HTMLElement | null}
 */
export function notTaken(context) {
  const { job, waiting } = context;
  const { proposal } = job;
  const kept = onTheWay(waiting, job).filter(({ kind }) => kind === "write").map(({ fields }) => fields);
  const last = kept.at(-1) ?? job.writes.at(-1);
  if (!proposal || last?.proposal !== proposal.id) return null;
  const [wanted, base] = [proposal.to_setpoints, baseOf(context)];
  const others = differing(controlledCorners(job), wanted, last.read_back);
  if (others.length === 0) return null;
  const lines = others.map((corner) => {
    const values = { corner: cornerName(corner), wanted: shownIn(wanted[corner], base), read: shownIn(last.read_back[corner], base) };
    return h("li", null, gettext("%(corner)s: %(wanted)s was to be written, the control unit answers %(read)s", values));
  });
  return notice(
    "review",
    gettext("The control unit does not hold what was to be written"),
    h("ul", { class: "prose" }, lines),
    h("p", null, gettext("Check the connection of your tool, then write again and read back. If it differs a second time, the work stops until a round shows where the vehicle stands.")),
    h("p", null, gettext("A manager rules on it before the sign-off; you need not wait for that.")),
  );
}

/**
 * @param {Corner[]} corners
 * @param {Record<string, number>} wanted
 * @param {Record<string, string>} typed
 * @param {Shown} shown
 */
function comparison(corners, wanted, typed, shown) {
  const read = Object.fromEntries(corners.map((corner) => [corner, count(typed[corner] ?? "")]));
  const others = differing(corners, wanted, read);
  if (others.length > 0) return others.map((corner) => mismatch(corner, shown(wanted[corner]), shown(read[corner] ?? 0)));
  return Object.values(read).every((each) => each !== null) ? notice("note", gettext("All as it was to be stored")) : null;
}

/** @param {Corner} corner @param {string} wanted @param {string} read */
function mismatch(corner, wanted, read) {
  return notice(
    "review",
    gettext(
      "%(corner)s: %(read)s was read back, %(wanted)s was to be stored",
      { corner: cornerName(corner), read, wanted },
    ),
    h("p", null, gettext("Read it once more. If it stands, record it as it is: then write again.")),
  );
}
