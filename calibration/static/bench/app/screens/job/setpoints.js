/** The set-points that the vehicle stores, as the tool reads them: they are the way back. */

import { fill, h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { baseOf, shownIn } from "./bases.js";
import { countFields } from "./counts.js";
import { controlledCorners, setpointsNow } from "./course.js";
import { count } from "./fields.js";
import * as measure from "./measure.js";
import { link } from "./parts.js";
import { draftKey } from "./round.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("./round.js").RoundDraft} RoundDraft */
/** @typedef {import("../../context.js").Corner} Corner */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, navigate, waiting } = context;
  const draft = /** @type {RoundDraft | null} */ (drafts.get(draftKey(job)));
  if (!draft) return measure.render(context);
  const corners = controlledCorners(job);
  const words = h("div", { class: "stack", "aria-live": "polite" });
  const before = setpointsNow(job, waiting);
  const say = () => {
    const shown = (/** @type {number | null | undefined} */ each) => shownIn(each, baseOf(context));
    fill(words, corners.map((corner) => doubt(job, corner, draft.setpoints[corner], before?.[corner], shown)));
  };
  const goOn = () => {
    if (fields.read()) navigate(hashOf("job", job.id, "review"));
  };
  const fields = countFields(context, {
    typed: draft.setpoints,
    changed: () => {
      drafts.set(draftKey(job), draft);
      say();
    },
    done: goOn,
  });
  say();
  queueMicrotask(fields.focus);
  return {
    heading: gettext("Stored set-points"),
    content: [
      h("p", null, gettext("Read them from the suspension control unit with your tool and type what it shows.")),
      linkedWords(job),
      fields.element,
      words,
    ],
    actions: [
      link(gettext("Back to the corners"), hashOf("job", job.id, "corners")),
      button(gettext("Look it over"), goOn, { kind: "main" }),
    ],
    update: () => undefined,
  };
}

/** @param {import("../../context.js").Job} job */
function linkedWords(job) {
  const pairs = job.specification?.linked_corners ?? [];
  return pairs.map((/** @type {Corner[]} */ pair) => {
    const [one, other] = pair.map(cornerName);
    return h("p", null, gettext("%(one)s and %(other)s share one set-point: type it at both.", { one, other }));
  });
}

/**
 * A count that is not what was stored last, or that the control unit cannot hold: read it again before it is a record.
 * @param {import("../../context.js").Job} job
 * @param {Corner} corner
 * @param {string | undefined} typed
 * @param {number | undefined} before
 * @param {(count: number | null | undefined) => string} shown
 */
export function doubt(job, corner, typed, before, shown) {
  const read = count(typed ?? "");
  if (read === null) return null;
  const { setpoint_min: least, setpoint_max: most } = job.specification ?? {};
  const name = cornerName(corner);
  const values = { corner: name, read: shown(read), before: shown(before), least: shown(least), most: shown(most) };
  if (least !== undefined && (read < least || read > most)) {
    return notice(
      "review",
      gettext("%(corner)s: a control unit of this model holds %(least)s to %(most)s", values),
      h("p", null, gettext("Read it again and correct it.")),
    );
  }
  if (before === undefined || before === read) return null;
  return notice(
    "review",
    gettext("%(corner)s: %(read)s was read, %(before)s was stored last", values),
    h(
      "p",
      null,
      gettext("Read it again. If it stands, go on: somebody changed it in between, and a manager will be asked."),
    ),
  );
}
