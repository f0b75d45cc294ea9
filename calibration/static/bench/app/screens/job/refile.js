/** The job was opened on the wrong vehicle: a manager moves it to the right one. */

import { fill, h } from "../../dom.js";
import { button, facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { normalised } from "../../vin.js";
import { helpWords } from "../vehicle.js";
import { byPin } from "./by_pin.js";
import { textField } from "./fields.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Vehicle} Vehicle */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, reads } = context;
  const vin = textField({
    id: "vin",
    label: gettext("VIN of the vehicle that this job belongs to"),
    hint: gettext("Read it off the vehicle. It must be known to the workshop and have no open job."),
    maxlength: 20,
  });
  vin.input.setAttribute("autocapitalize", "characters");
  const [help, second] = [h("p", { class: "field-hint", role: "status" }), h("div", { "aria-live": "polite" })];
  vin.input.addEventListener("input", () => {
    fill(help, helpWords(normalised(vin.input.value)));
    fill(second);
    step = null;
  });
  /** @type {import("./by_pin.js").ByPin | null} */
  let step = null;
  const look = async () => {
    const found = await reads.vehicle(normalised(vin.input.value));
    vin.fail(problemOf(found, job));
    if (!found || found.id === job.vehicle.id) return vin.input.focus();
    step = secondStep(context, found);
    return fill(second, about(found), step.element);
  };
  const form = h("form", { id: "right-vehicle", novalidate: true }, vin.element, help);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    void look();
  });
  return {
    heading: gettext("Wrong vehicle"),
    content: [
      notice(
        "note",
        gettext("A manager moves the job, with all its records, to another vehicle"),
        h("p", null, gettext("Both vehicles' records say so. Open proposals and requests end.")),
      ),
      facts([[gettext("Filed now under"), `${job.vehicle.registration || "–"} · ${job.vehicle.vin}`]]),
      form,
      second,
      takeCare(job),
    ],
    actions: [
      link(gettext("Back"), hashOf("job", job.id)),
      h("button", { class: "button button-main", form: "right-vehicle" }, gettext("Look it up")),
    ],
    update: (next) => step?.update(next),
  };
}

/** @param {Vehicle | null} found @param {import("../../context.js").Job} job */
function problemOf(found, job) {
  if (!found) return gettext("No vehicle of the workshop has this VIN. Compare it with the plate.");
  return found.id === job.vehicle.id ? gettext("That is the vehicle under which it is filed now.") : null;
}

/** @param {Vehicle} found */
function about({ registration, vin, make, model }) {
  return facts([[gettext("To be filed under"), `${registration || "–"} · ${make} ${model} · ${vin}`]]);
}

/** @param {JobContext} context @param {Vehicle} found */
function secondStep(context, found) {
  const step = byPin(context, {
    part: `jobs/${context.job.id}/refiling/`,
    action: gettext("Move it"),
    reason: gettext("How it came to the wrong vehicle"),
    who: gettext("A manager."),
    fields: (reason) => ({ vehicle: found.vin, reason }),
  });
  return { ...step, element: h("section", { class: "confirm-step" }, step.element) };
}
