/** A PIN by large keys, or by a keyboard; what is typed is shown by dots and kept nowhere. */

import { fill, h } from "./dom.js";
import { button } from "./parts.js";
import { gettext, ngettext } from "./texts.js";

const LEAST = 4;
const MOST = 8;
const KEYS = ["1", "2", "3", "4", "5", "6", "7", "8", "9"];

/**
 * @param {object} pad
 * @param {string} pad.label what the PIN is for
 * @param {string} pad.action what the last key says
 * @param {(pin: string) => Promise<string | null>} pad.submit gives why it was refused, or null
 * @param {string} [pad.id]
 */
export function pinPad({ label, action, submit, id = "pin" }) {
  const input = h("input", {
    id,
    class: "pin-entry",
    type: "password",
    inputmode: "none",
    autocomplete: "off",
    maxlength: MOST,
    "aria-describedby": `${id}-error`,
    input: () => show(),
  });
  const error = h("p", { class: "field-error", id: `${id}-error`, role: "alert" });
  const go = h("button", { type: "submit", class: "button button-main pin-go" }, action);
  const press = (/** @type {string} */ digit) => {
    if (input.value.length < MOST) input.value += digit;
    show();
  };
  const erase = () => {
    input.value = input.value.slice(0, -1);
    show();
  };
  const show = () => {
    input.value = input.value.replace(/\D/g, "");
    go.disabled = input.value.length < LEAST;
  };
  show();
  return h(
    "form",
    {
      class: "pin-pad",
      submit: async (/** @type {SubmitEvent} */ event) => {
        event.preventDefault();
        if (input.value.length < LEAST) return;
        const pin = input.value;
        input.value = "";
        go.disabled = true;
        fill(error);
        const refusal = await submit(pin);
        if (refusal === null) return;
        fill(error, refusal);
        input.focus();
      },
    },
    h(
      "div",
      { class: "pin-said" },
      h("label", { class: "field-label", for: id }, label),
      input,
      h("p", { class: "soft small" }, ngettext("%(count)s digit", "%(count)s to %(most)s digits", LEAST, { most: MOST })),
      error,
    ),
    h(
      "div",
      { class: "pin-keys" },
      ...KEYS.map((digit) => button(digit, () => press(digit))),
      h("button", { type: "button", class: "button", "aria-label": gettext("Delete the last digit"), click: erase }, "←"),
      button("0", () => press("0")),
      go,
    ),
  );
}
