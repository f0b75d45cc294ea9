/** One height at each corner of the plan, and the temperature beside them. */

import { plan } from "../../drawing/plan.js";
import { fill, h } from "../../dom.js";
import { cornerName, notice } from "../../parts.js";
import { gettext } from "../../texts.js";
import { targetMm } from "./course.js";
import { degreesIn, keypad, numberField, textField } from "./fields.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {Omit<import("../../context.js").ParkedHeights, "at">} Heights */

/**
 * @param {JobContext} context
 * @param {{typed: Record<string, string>, changed: () => void}} options what was typed before, by corner; kept up to date
 */
export function parkedHeights(context, { typed, changed }) {
  const { units } = context;
  const doubts = h("div", { class: "stack", "aria-live": "assertive" });
  const fields = new Map(CORNERS.map((corner) => [corner, heightField(corner, units.sign, typed[corner] ?? "")]));
  const temperature = textField({
    id: "temperature",
    label: gettext("Temperature where it stands, °C"),
    hint: gettext("Below zero with a minus."),
    value: typed.temperature ?? "",
    optional: true,
    maxlength: 6,
  });
  for (const [name, { input }] of [...fields, /** @type {const} */ (["temperature", temperature])]) {
    input.addEventListener("input", () => {
      typed[name] = input.value;
      changed();
    });
  }
  const inputs = CORNERS.map((corner) => /** @type {HTMLInputElement} */ (fields.get(corner)?.input));
  /** What was shown to be doubtful and is pressed through as it is. */
  let looked = "";
  return {
    element: h(
      "div",
      { class: "stack" },
      doubts,
      h(
        "div",
        { class: "bench-split counts" },
        plan((corner) => fields.get(corner)?.element ?? null),
        h("div", { class: "stack" }, keypad(inputs, { point: true, fraction: units.length === "inch" }), temperature.element),
      ),
    ),
    /**
     * Null where something is missing or doubtful, which is then said; what is doubtful is taken as it stands at the
     * second press.
     * @param {{serial: string, length_mm: number | null}} instrument
     * @returns {Heights | null}
     */
    read(instrument) {
      const heights = readAll(context, fields, instrument);
      const degrees = degreesIn(temperature);
      if (!heights || !degrees) return null;
      const doubtful = CORNERS.filter((corner) => isFar(context, corner, heights[corner]));
      const now = JSON.stringify(doubtful.map((corner) => [corner, heights[corner]]));
      fill(doubts, doubtful.map((corner) => farWords(context, corner, heights[corner])));
      if (doubtful.length > 0 && now !== looked) {
        looked = now;
        doubts.scrollIntoView({ block: "nearest" });
        return null;
      }
      return { heights, ...degrees, ...(doubtful.length > 0 && { confirmed: true }) };
    },
  };
}

/** @param {Corner} corner @param {string} unit @param {string} value */
function heightField(corner, unit, value) {
  const field = numberField({ id: `height-${corner}`, label: gettext("Height"), unit, value });
  field.input.setAttribute("aria-label", gettext("Height, %(corner)s", { corner: cornerName(corner) }));
  return field;
}

/**
 * @param {JobContext} context
 * @param {Map<Corner, import("./fields.js").Field>} fields
 * @param {{serial: string, length_mm: number | null}} instrument
 * @returns {Record<Corner, number> | null}
 */
function readAll({ units }, fields, { serial, length_mm }) {
  /** @type {Partial<Record<Corner, number>>} */
  const heights = {};
  /** @type {HTMLElement | null} */
  let wrong = null;
  for (const [corner, field] of fields) {
    const height = units.parse(field.input.value);
    const problem = !height ? noNumber(units) : length_mm !== null && height > length_mm ? tooLong(serial) : null;
    field.fail(problem);
    if (height && !problem) heights[corner] = height;
    else wrong ??= field.input;
  }
  wrong?.focus();
  return wrong ? null : /** @type {Record<Corner, number>} */ (heights);
}

/** @param {import("../../context.js").Units} units */
function noNumber({ length }) {
  return length === "inch"
    ? gettext("Type the height in inches, such as 19 3/16 or 19.19.")
    : gettext("Type the height in millimetres, such as 486 or 486.5. Inches are chosen behind your name, at the top.");
}

/** @param {string} serial */
function tooLong(serial) {
  return gettext("That is longer than %(serial)s measures.", { serial });
}

/** @param {JobContext} context @param {Corner} corner @param {number} height_mm */
function isFar({ job }, corner, height_mm) {
  const target = targetMm(job, corner);
  return target !== null && Math.abs(height_mm - target) > job.gross_limit_mm;
}

/** @param {JobContext} context @param {Corner} corner @param {number} height_mm */
function farWords({ job, units }, corner, height_mm) {
  const shown = (/** @type {number | null} */ mm) => `${units.show(mm ?? 0)} ${units.sign}`;
  const values = { corner: cornerName(corner), height: shown(height_mm), target: shown(targetMm(job, corner)) };
  return notice(
    "review",
    gettext("%(corner)s: %(height)s is far from the target of %(target)s", values),
    h("p", null, gettext("Read it once more and correct it. If the tape shows the same, press the button again.")),
  );
}
