/** Fields with label, hint and error, and the keys to type numbers with wet gloves. */

import { fill, h } from "../../dom.js";
import { gettext, language } from "../../texts.js";

/** @typedef {import("../../context.js").Content} Content */

/**
 * @typedef {object} Field
 * @property {HTMLElement} element
 * @property {HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement} input
 * @property {(message: string | null) => void} fail says what is wrong below the label, and takes it back
 */

/**
 * @param {{id: string, label: string, hint?: string, optional?: boolean, unit?: string, number?: boolean}} said
 * @param {Field["input"]} input
 * @returns {Field}
 */
function field(said, input) {
  const { id, label, hint = "", optional = false, unit = "", number = false } = said;
  input.id = id;
  const error = h("span", { class: "field-error", id: `${id}-error` });
  const described = [hint && `${id}-hint`, unit && `${id}-unit`, `${id}-error`].filter(Boolean).join(" ");
  input.setAttribute("aria-describedby", described);
  const element = h(
    "div",
    { class: `field${number ? " field-number" : ""}` },
    h(
      "label",
      { class: "field-label", for: id },
      label,
      optional && h("span", { class: "field-optional" }, ` ${gettext("(may be left out)")}`),
    ),
    hint ? h("span", { class: "field-hint", id: `${id}-hint` }, hint) : null,
    error,
    h("div", { class: "field-entry" }, input, unit ? h("span", { class: "field-unit", id: `${id}-unit` }, unit) : null),
  );
  return {
    element,
    input,
    fail(message) {
      element.classList.toggle("field-in-error", message !== null);
      if (message === null) input.removeAttribute("aria-invalid");
      else input.setAttribute("aria-invalid", "true");
      fill(error, message);
    },
  };
}

/**
 * A number that is typed with the keys below, on a keyboard, or by a gauge that sends Enter.
 * @param {{id: string, label: string, hint?: string, unit?: string, value?: string, optional?: boolean}} said
 */
export function numberField(said) {
  const attributes = {
    type: "text",
    inputmode: "none",
    autocomplete: "off",
    enterkeyhint: "next",
    value: said.value ?? "",
  };
  return field({ ...said, number: true }, h("input", attributes));
}

/**
 * @param {{id: string, label: string, hint?: string, value?: string, optional?: boolean, type?: string,
 *   maxlength?: number, inputmode?: string}} said
 */
export function textField(said) {
  const { type = "text", maxlength = 500, inputmode, value = "" } = said;
  return field(said, h("input", { type, maxlength, inputmode, value, autocomplete: "off" }));
}

/** @param {{id: string, label: string, hint?: string, value?: string, optional?: boolean, maxlength?: number}} said */
export function linesField(said) {
  const input = h("textarea", { rows: 3, maxlength: said.maxlength ?? 500 });
  input.value = said.value ?? "";
  return field(said, input);
}

/**
 * @param {{id: string, label: string, hint?: string, value?: string}} said
 * @param {[string, string][]} options value and words
 */
export function selectField(said, options) {
  const chosen = said.value ?? options[0]?.[0];
  return field(
    said,
    h("select", null, options.map(([value, words]) => h("option", { value, selected: value === chosen }, words))),
  );
}

/** @param {{id: string, label: string, checked?: boolean}} said @param {(checked: boolean) => void} changed */
export function box({ id, label, checked = false }, changed) {
  const input = h("input", { type: "checkbox", id, checked, change: (event) => changed(event.target.checked) });
  return h(
    "div",
    { class: "field" },
    h("label", { class: "choice choice-alone", for: id }, input, h("span", null, label)),
  );
}

/**
 * Large keys. They type into the field that has the focus, or into the first one that is empty.
 * @param {HTMLInputElement[]} inputs
 * @param {{point?: boolean, sign?: boolean, fraction?: boolean, hexadecimal?: boolean}} options which keys there are besides the figures
 */
export function keypad(inputs, { point = false, sign = false, fraction = false, hexadecimal = false }) {
  const target = () => inputs.find(
    (each) => each === document.activeElement,
  ) ?? inputs.find((each) => !each.value) ?? inputs[0];
  const type = (/** @type {string} */ text) => typeInto(target(), text);
  const key = (
    /** @type {string} */ shown,
    /** @type {() => void} */ press,
    /** @type {string} */ name = shown,
    more = "",
  ) =>
    h(
      "button",
      { type: "button", class: `button keypad-key${more}`, "aria-label": name, pointerdown: keepFocus, click: press },
      shown,
    );
  const figures = ["1", "2", "3", "4", "5", "6", "7", "8", "9"].map((each) => key(each, () => type(each)));
  const left = point ? key(decimalSign(), () => type(decimalSign()), gettext("Decimal sign")) : null;
  const minus = sign ? key("±", () => turnSign(target()), gettext("Change the sign")) : null;
  return h(
    "div",
    { class: `keypad${hexadecimal ? " keypad-hexadecimal" : ""}`, role: "group", "aria-label": gettext("Keys") },
    hexadecimal ? [..."ABCDEF"].map((each) => key(each, () => type(each), each, " keypad-letter")) : null,
    figures,
    left ?? minus ?? h("span", null),
    key("0", () => type("0")),
    key("⌫", () => rubOut(target()), gettext("Rub out")),
    fraction ? [
      key("␣", () => type(" "), gettext("Space")),
      key("/", () => type("/"), gettext("Stroke of a fraction")),
    ] : null,
  );
}

/** @param {Event} event */
function keepFocus(event) {
  event.preventDefault();
}

/** @param {HTMLInputElement | undefined} input @param {string} text */
function typeInto(input, text) {
  if (!input) return;
  input.focus();
  const [start, end] = [input.selectionStart ?? input.value.length, input.selectionEnd ?? input.value.length];
  input.setRangeText(text, start, end, "end");
  input.dispatchEvent(new Event("input", { bubbles: true }));
}

/** @param {HTMLInputElement | undefined} input */
function rubOut(input) {
  if (!input) return;
  input.focus();
  const [start, end] = [input.selectionStart ?? 0, input.selectionEnd ?? 0];
  input.setRangeText("", start === end ? Math.max(0, start - 1) : start, end, "end");
  input.dispatchEvent(new Event("input", { bubbles: true }));
}

/** @param {HTMLInputElement | undefined} input */
function turnSign(input) {
  if (!input) return;
  input.focus();
  input.value = input.value.startsWith("-") ? input.value.slice(1) : `-${input.value}`;
  input.dispatchEvent(new Event("input", { bubbles: true }));
}

function decimalSign() {
  const parts = new Intl.NumberFormat(language()).formatToParts(1.5);
  return parts.find((each) => each.type === "decimal")?.value ?? ".";
}

/** What was typed as a whole number; null where it is none. @param {string} text */
export function count(text) {
  const trimmed = text.trim().replace("−", "-");
  return /^[+-]?\d{1,10}$/.test(trimmed) ? Number(trimmed) : null;
}

/**
 * The temperature that was typed, as records hold it; null where it is none, which is then said.
 * @param {Field} temperature
 * @returns {{temperature_deg_c?: number} | null}
 */
export function degreesIn(temperature) {
  const typed = temperature.input.value.trim().replace(",", ".").replace("−", "-");
  if (!typed) return {};
  const isNumber = /^-?\d{1,2}(\.\d{1,2})?$/.test(typed);
  temperature.fail(isNumber ? null : gettext("Type degrees Celsius, such as 18.5, or leave it out."));
  return isNumber ? { temperature_deg_c: Number(typed) } : null;
}
