/** A wrong reading stays visible; what was read instead counts. */

import { h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { keypad, linesField, numberField } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, route, units } = context;
  const reading = job.rounds.flatMap((each) => each.readings).find((each) => each.id === route.rest[2]);
  const back = link(gettext("Back"), hashOf("job", job.id, "result"));
  if (!reading || reading.struck) {
    return {
      heading: gettext("Strike out a reading"),
      content: notice("note", gettext("This reading is struck out already, or is not of this job")),
      actions: [back],
    };
  }
  const height = numberField({ id: "replacement", label: gettext("What the tape shows now"), unit: units.sign });
  const reason = linesField({ id: "reason", label: gettext("What was wrong with it") });
  const record = button(
    gettext("Strike it out"),
    once(() => store(context, reading, height, reason)),
    { kind: "main" },
  );
  const values = { corner: cornerName(reading.corner), height: `${units.show(reading.height_mm)} ${units.sign}` };
  return {
    heading: gettext("Strike out a reading"),
    content: [
      h("p", null, gettext("%(corner)s, read as %(height)s.", values)),
      notice("note", gettext("Once its verdict was shown, somebody else than who measured strikes a reading out")),
      height.element,
      keypad([/** @type {HTMLInputElement} */ (height.input)], { point: true, fraction: units.length === "inch" }),
      reason.element,
      takeCare(job),
    ],
    actions: [back, record],
    update: () => undefined,
  };
}

/**
 * @param {JobContext} context
 * @param {any} reading
 * @param {import("./fields.js").Field} height
 * @param {import("./fields.js").Field} reason
 */
async function store({ job, records, navigate, units }, reading, height, reason) {
  const read = units.parse(height.input.value);
  const why = reason.input.value.trim();
  height.fail(read === null ? gettext("Read the corner again and type the height.") : null);
  reason.fail(why ? null : gettext("Say what was wrong: it is printed on the certificate."));
  if (read === null || !why) {
    (read === null ? height : reason).input.focus();
    return false;
  }
  await records.strike(reading.id, { reason: why, replacement: { height_mm: read } });
  return navigate(hashOf("job", job.id));
}
