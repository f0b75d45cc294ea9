/** Parts of the looks that screens are put together from; their classes are those of `/looks/`. */

import { h, s } from "./dom.js";
import { gettext } from "./texts.js";

/** @typedef {import("./context.js").Content} Content */
/** @typedef {import("./context.js").Corner} Corner */
/** @typedef {'note' | 'review' | 'stop'} Severity */

/** @type {Record<Severity, string>} */
const SIGNS = {
  stop: "M7.4 1h9.2L23 7.4v9.2L16.6 23H7.4L1 16.6V7.4zM5.5 10.5v3h13v-3z",
  review: "M4 1h2.5v22H4zM8 2h14l-4.5 5.5L22 13H8z",
  note: "M2 2h20v20H2zM10.75 6v2.5h2.5V6zm0 4.5V18h2.5v-7.5z",
};
const CAUTION = "M12 1 23.5 22H.5zM10.9 8.5v7h2.2v-7zm0 8.5v2.2h2.2V17z";
const ERROR = "M12 1 23 12 12 23 1 12zM10.75 6v7.5h2.5V6zm0 9.5V18h2.5v-2.5z";

/** @param {Severity} severity */
function severityWord(severity) {
  return { note: gettext("Note"), review: gettext("To review"), stop: gettext("Stop") }[severity];
}

/** @param {Corner} corner */
export function cornerName(corner) {
  const names = {
    FL: gettext("Front left"),
    FR: gettext("Front right"),
    RL: gettext("Rear left"),
    RR: gettext("Rear right"),
  };
  return names[corner];
}

/** As short as on a plan: in English the interface's code. @param {Corner} corner */
export function cornerShort(corner) {
  return { FL: gettext("FL"), FR: gettext("FR"), RL: gettext("RL"), RR: gettext("RR") }[corner];
}

/**
 * Severity by word, sign and weight of its border.
 * @param {Severity} severity
 * @param {Content} heading
 * @param {Content[]} body
 */
export function notice(severity, heading, ...body) {
  const word = h("span", { class: "notice-word" }, `${severityWord(severity)}:`);
  const inner = body.flat().filter(Boolean);
  return h(
    "div",
    { class: `notice notice-${severity}` },
    h("p", { class: "notice-head" }, sign(SIGNS[severity]), h("span", null, word, " ", heading)),
    inner.length > 0 && h("div", { class: "notice-body" }, ...body),
  );
}

/**
 * What can hurt somebody here. Nothing where there is nothing to say.
 * @param {{code: string, text: string}[]} cautions
 * @param {string} [heading]
 * @returns {HTMLElement | null}
 */
export function cautions(cautions, heading = gettext("Take care")) {
  if (!cautions.length) return null;
  return h(
    "section",
    { class: "cautions" },
    h("h2", { class: "cautions-head" }, sign(CAUTION), heading),
    h("ul", null, ...cautions.map(({ text }) => h("li", null, text))),
  );
}

/**
 * A field with its label. The control's `id`, `aria-describedby` and `aria-invalid` are set here.
 * @param {object} field
 * @param {string} field.id
 * @param {Content} field.label
 * @param {HTMLElement} field.control
 * @param {Content} [field.hint]
 * @param {string} [field.unit]
 * @param {string} [field.error]
 * @param {boolean} [field.optional]
 * @param {boolean} [field.figure] large, for numbers
 */
export function field({ id, label, control, hint, unit, error, optional = false, figure = false }) {
  control.id = id;
  const described = [hint && "hint", unit && "unit", error && "error"].filter(Boolean).map((part) => `${id}-${part}`);
  if (described.length) control.setAttribute("aria-describedby", described.join(" "));
  if (error) control.setAttribute("aria-invalid", "true");
  const classes = ["field", figure && "field-number", error && "field-in-error"].filter(Boolean);
  return h(
    "div",
    { class: classes.join(" ") },
    h("label", { class: "field-label", for: id }, label, optional && optionalWords()),
    hint ? h("span", { class: "field-hint", id: `${id}-hint` }, hint) : null,
    error ? fieldError(id, error) : null,
    h("div", { class: "field-entry" }, control, unit ? h("span", { class: "field-unit", id: `${id}-unit` }, unit) : null),
  );
}

/**
 * One of several; the whole row is pressed.
 * @param {object} field
 * @param {string} field.id
 * @param {Content} field.label
 * @param {[value: string, label: Content][]} field.options
 * @param {string | null} field.value
 * @param {(value: string) => void} field.changed
 * @param {Content} [field.hint]
 * @param {string} [field.error]
 */
export function choices({ id, label, options, value, changed, hint, error }) {
  const rows = options.map(([option, words], index) => {
    const [name, checked] = [id, option === value];
    const change = () => changed(option);
    const input = h("input", { type: "radio", id: `${id}-${index}`, name, value: option, checked, change });
    return h("li", null, h("label", { class: "choice", for: `${id}-${index}` }, input, h("span", null, words)));
  });
  return h(
    "fieldset",
    { class: error ? "field field-in-error" : "field", id },
    h("legend", { class: "field-label" }, label),
    hint ? h("span", { class: "field-hint" }, hint) : null,
    error ? fieldError(id, error) : null,
    h("ul", { class: "choices" }, ...rows),
  );
}

/**
 * A button. `kind`: `main` for the one thing to do next, `danger` for what cannot be taken back.
 * @param {Content} label
 * @param {(event: MouseEvent) => void} press
 * @param {{kind?: 'main' | 'danger', final?: boolean, disabled?: boolean, id?: string}} [options]
 */
export function button(label, press, { kind, final = false, disabled = false, id } = {}) {
  const classes = ["button", kind && `button-${kind}`, final && "button-final"].filter(Boolean).join(" ");
  return h("button", { type: "button", class: classes, disabled, id, click: press }, label);
}

/**
 * Two presses: the first opens what follows from it, the second, in another place, does it.
 * @param {Content} label
 * @param {Content[]} step what follows, and the button that does it
 */
export function confirm(label, ...step) {
  return h(
    "details",
    { class: "confirm confirm-dangerous" },
    h("summary", { class: "button button-danger" }, label),
    h("div", { class: "confirm-step" }, ...step),
  );
}

/**
 * Words at the left, figures at the right.
 * @param {[Content, Content][]} pairs
 */
export function facts(pairs) {
  return h("dl", { class: "facts" }, ...pairs.map(([word, fact]) => h("div", null, h("dt", null, word), h("dd", null, fact))));
}

/**
 * Nothing is here yet, and what to do about it.
 * @param {Content[]} content
 */
export function empty(...content) {
  return h("div", { class: "empty" }, ...content);
}

/** @param {string} id @param {string} error */
function fieldError(id, error) {
  const unseen = h("span", { class: "unseen" }, gettext("Error:"));
  return h("span", { class: "field-error", id: `${id}-error` }, sign(ERROR), " ", unseen, " ", error);
}

function optionalWords() {
  return [" ", h("span", { class: "field-optional" }, gettext("(may be left out)"))];
}

/** @param {string} path */
function sign(path) {
  return s(
    "svg",
    { viewBox: "0 0 24 24", "aria-hidden": "true", focusable: "false" },
    s("path", { d: path, "fill-rule": "evenodd" }),
  );
}
