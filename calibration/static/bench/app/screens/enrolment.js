/** Make this device a tablet of a workshop, with a one-time code that was typed or scanned. */

import { h } from "../dom.js";
import { field } from "../parts.js";
import { gettext } from "../texts.js";

const SCANNED = /^#enrol=([^&]+)$/;

/**
 * @param {(code: string, device: string) => Promise<string | null>} enrol returns why it did not succeed
 * @returns {import("../context.js").Screen}
 */
export function renderEnrolment(enrol) {
  const code = h("input", {
    autocomplete: "off",
    autocapitalize: "characters",
    spellcheck: "false",
    maxlength: 20,
    required: true,
    value: scanned(),
  });
  const device = h("input", { autocomplete: "off", maxlength: 80, required: true, value: gettext("Tablet in bay 1") });
  const failed = h("p", { class: "field-error", role: "alert" });
  const scan = () => (code.value = scanned() || code.value);
  addEventListener("hashchange", scan); // A code may be scanned before the app is there to show this anew.
  const submit = async (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    failed.textContent = "";
    failed.textContent = await enrol(code.value.trim(), device.value.trim());
  };
  return {
    heading: gettext("Enrol this tablet"),
    content: h(
      "form",
      { class: "fields", id: "enrolment", submit },
      h("p", null, gettext("Somebody who is signed in makes a code under “Tablets”. It holds for ten minutes and for one tablet.")),
      field({ id: "code", label: gettext("Code"), control: code, hint: gettext("8 letters and digits, as on the page.") }),
      field({ id: "device", label: gettext("Name of this tablet"), control: device, hint: gettext("By which it is found again.") }),
      failed,
    ),
    actions: [h("button", { class: "button button-main", form: "enrolment", type: "submit" }, gettext("Enrol"))],
    update: () => {},
    leave: () => removeEventListener("hashchange", scan),
  };
}

function scanned() {
  return decodeURIComponent(SCANNED.exec(location.hash)?.[1] ?? "");
}
