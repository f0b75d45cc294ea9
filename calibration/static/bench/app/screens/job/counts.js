/** Set-points at the corners of the plan, typed as the tool shows them. */

import { plan } from "../../drawing/plan.js";
import { h } from "../../dom.js";
import { cornerName } from "../../parts.js";
import { gettext } from "../../texts.js";
import { count, keypad, numberField } from "./fields.js";

/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {import("../../context.js").Counts} Counts */

/**
 * @typedef {object} CountFields
 * @property {HTMLElement} element
 * @property {() => Counts | null} read all counts; null where one is missing or none, which its field then says
 * @property {() => void} focus on the first empty one
 */

/**
 * @param {readonly Corner[]} corners
 * @param {object} options
 * @param {Record<string, string>} options.typed what was typed before; kept up to date
 * @param {() => void} options.changed
 * @param {() => void} options.done Enter in the last one
 * @param {(corner: Corner) => string} [options.hint]
 * @param {string} [options.id] begins the fields' ids
 * @returns {CountFields}
 */
export function countFields(corners, { typed, changed, done, hint, id = "count" }) {
  const fields = new Map(
    corners.map((corner) => [
      corner,
      numberField(
        { id: `${id}-${corner}`, label: gettext("Set-point"), hint: hint?.(corner), value: typed[corner] ?? "" },
      ),
    ]),
  );
  const inputs = [...fields.values()].map((each) => /** @type {HTMLInputElement} */ (each.input));
  for (const [corner, field] of fields) {
    const { input } = field;
    input.setAttribute("aria-label", gettext("Set-point, %(corner)s", { corner: cornerName(corner) }));
    input.addEventListener("input", () => {
      typed[corner] = input.value;
      field.fail(null);
      changed();
    });
  }
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    const here = inputs.findIndex((each) => each === document.activeElement);
    const next = inputs.slice(here + 1).find((each) => !each.value) ?? inputs.find((each) => !each.value);
    if (next) next.focus({ preventScroll: true });
    else done();
  };
  const none = () => h("p", { class: "soft" }, gettext("not controlled"));
  const form = h(
    "form",
    { class: "bench-split counts", submit, novalidate: true },
    plan((corner) => fields.get(corner)?.element ?? none()),
    h("div", { class: "stack" }, keypad(inputs, { sign: true }), h("button", { hidden: true })),
  );
  return {
    element: form,
    focus: () => (inputs.find((each) => !each.value) ?? inputs[0])?.focus({ preventScroll: true }),
    read: () => readAll(fields),
  };
}

/** @param {Map<Corner, import("./fields.js").Field>} fields @returns {Counts | null} */
function readAll(fields) {
  /** @type {Counts} */
  const counts = {};
  /** @type {HTMLElement | null} */
  let wrong = null;
  for (const [corner, { input, fail }] of fields) {
    const number = count(input.value);
    if (number !== null) counts[corner] = number;
    else {
      fail(gettext("A whole number is missing."));
      wrong ??= input;
    }
  }
  wrong?.focus();
  return wrong ? null : counts;
}
