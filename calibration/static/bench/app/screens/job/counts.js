/** Set-points at the corners of the plan, typed as the tool shows them. */

import { plan } from "../../drawing/plan.js";
import { fill, h } from "../../dom.js";
import { cornerName } from "../../parts.js";
import { gettext } from "../../texts.js";
import { baseOf, countIn, setBase, shownIn, typedIn } from "./bases.js";
import { controlledCorners } from "./course.js";
import { box, keypad, numberField } from "./fields.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("./bases.js").Base} Base */
/** @typedef {import("./fields.js").Field} Field */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {import("../../context.js").Counts} Counts */

const WHOLE = /^[+\-−]?\d+$/;

/**
 * @typedef {object} CountFields
 * @property {HTMLElement} element
 * @property {() => Counts | null} read all counts; null where one is missing or none, which its field then says
 * @property {() => void} focus on the first empty one
 */

/**
 * @typedef {object} CountOptions
 * @property {Record<string, string>} typed what was typed before, in decimal figures; kept up to date
 * @property {() => void} changed
 * @property {() => void} done Enter in the last one
 * @property {(corner: Corner, shown: (count: number | null | undefined) => string) => string} [hint]
 * @property {string} [id] begins the fields' ids
 */

/**
 * @param {JobContext} context
 * @param {CountOptions} options
 * @returns {CountFields}
 */
export function countFields(context, options) {
  const corners = controlledCorners(context.job);
  /** @type {Map<Corner, CountField>} */
  let fields = new Map();
  const inputs = () => [...fields.values()].map(({ input }) => input);
  const focus = () => (inputs().find((each) => !each.value) ?? inputs()[0])?.focus({ preventScroll: true });
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    const here = inputs().findIndex((each) => each === document.activeElement);
    const next = inputs().slice(here + 1).find((each) => !each.value) ?? inputs().find((each) => !each.value);
    if (next) next.focus({ preventScroll: true });
    else options.done();
  };
  const form = h("form", { class: "bench-split counts", submit, novalidate: true });
  const none = () => h("p", { class: "soft" }, gettext("not controlled"));
  const draw = () => {
    fields = new Map(corners.map((corner) => [corner, new CountField(context, corner, options)]));
    const base = baseOf(context);
    fill(
      form,
      plan((corner) => fields.get(corner)?.element ?? none()),
      h(
        "div",
        { class: "stack" },
        baseSwitch(context, base, () => {
          draw();
          options.changed();
        }),
        keypad(inputs(), { sign: true, hexadecimal: base === "hexadecimal" }),
        h("button", { hidden: true }),
      ),
    );
  };
  draw();
  return { element: form, focus, read: () => readAll(fields) };
}

/** @param {JobContext} context @param {Base} base @param {() => void} changed */
function baseSwitch(context, base, changed) {
  const said = { id: "hexadecimal", label: gettext("My tool shows hexadecimal"), checked: base === "hexadecimal" };
  return box(said, (checked) => {
    setBase(context, checked ? "hexadecimal" : "decimal");
    changed();
    document.getElementById("hexadecimal")?.focus({ preventScroll: true });
  });
}

class CountField {
  /** @param {JobContext} context @param {Corner} corner @param {CountOptions} options */
  constructor(context, corner, { typed, changed, hint, id = "count" }) {
    this.base = baseOf(context);
    this.range = context.job.specification ?? null;
    const before = countIn(typed[corner] ?? "", "decimal");
    /** @type {Field} */
    this.field = numberField({
      id: `${id}-${corner}`,
      label: gettext("Set-point"),
      hint: hint?.(corner, (count) => shownIn(count, this.base)),
      value: before === null ? "" : typedIn(before, this.base),
    });
    this.input = /** @type {HTMLInputElement} */ (this.field.input);
    this.input.setAttribute("aria-label", gettext("Set-point, %(corner)s", { corner: cornerName(corner) }));
    const meaning = this.base === "decimal" ? null : h("p", { class: "count-meaning", "aria-live": "polite" });
    this.element = h("div", null, this.field.element, meaning);
    const say = () => meaning && fill(meaning, meaningWords(this.read()));
    this.input.addEventListener("input", () => {
      typed[corner] = String(this.read() ?? "");
      this.field.fail(null);
      say();
      changed();
    });
    say();
  }

  read() {
    return countIn(this.input.value, this.base, this.range);
  }

  fail() {
    this.field.fail(
      this.base === "decimal"
        ? wholeWords(this.input.value)
        : gettext("A number of the figures 0–9 and A–F is missing."),
    );
  }
}

/** @param {string} typed */
function wholeWords(typed) {
  if (WHOLE.test(typed.trim())) {
    return gettext("%(typed)s is beyond what any control unit stores: read it again.", { typed: typed.trim() });
  }
  return typed.trim()
    ? gettext("“%(typed)s” is no whole number. A control unit stores whole numbers only: read it again.", { typed: typed.trim() })
    : gettext("A whole number is missing.");
}

/** @param {number | null} count */
function meaningWords(count) {
  return count === null ? "" : gettext("= %(count)s decimal", { count });
}

/** @param {Map<Corner, CountField>} fields @returns {Counts | null} */
function readAll(fields) {
  /** @type {Counts} */
  const counts = {};
  /** @type {HTMLElement | null} */
  let wrong = null;
  for (const [corner, field] of fields) {
    const number = field.read();
    if (number !== null) counts[corner] = number;
    else {
      field.fail();
      wrong ??= field.input;
    }
  }
  wrong?.focus();
  return wrong ? null : counts;
}
