/** Another person decides something here, by their PIN, while whoever works stays at the tablet. */

import { uuid7 } from "../../../offline/uuid7.js";
import { fill, h } from "../../dom.js";
import { notice } from "../../parts.js";
import { pinPad } from "../../pin_pad.js";
import { gettext } from "../../texts.js";
import { linesField, selectField } from "./fields.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/**
 * @typedef {object} ByPin
 * @property {HTMLElement} element reason, name and PIN
 * @property {(context: {online: boolean}) => void} update
 */

/**
 * @param {JobContext} context
 * @param {object} step
 * @param {string} step.part of the interface
 * @param {string} step.action what the last key says
 * @param {string} step.reason label of the reason, which is always given
 * @param {string} step.who hint: whose right it is
 * @param {(reason: string) => Record<string, unknown> | string} step.fields what is sent; or what is still missing
 * @returns {ByPin}
 */
export function byPin(context, { part, action, reason: label, who, fields }) {
  const reason = linesField({ id: "reason", label });
  const person = h("div", null);
  const offline = h("div", null);
  let decider = "";
  void context.reads.people().then((people) => fill(person, personField(people, who, (id) => (decider = id))));
  const newId = idOfContent();
  const submit = async (/** @type {string} */ pin) => {
    const why = reason.input.value.trim();
    reason.fail(why ? null : gettext("Say why. It stays on record."));
    if (!why) return gettext("The reason is missing.");
    const sent = fields(why);
    if (typeof sent === "string") return sent;
    if (!decider) return gettext("Choose who decides.");
    return decided(context, { id: newId([decider, sent]), person: decider, pin, part, fields: sent });
  };
  const pad = pinPad({ label: gettext("Their PIN"), action, submit });
  const update = (/** @type {{online: boolean}} */ { online }) => fill(offline, !online && withoutNetwork());
  update(context);
  return { element: h("div", { class: "stack" }, reason.element, person, offline, pad), update };
}

/** @param {JobContext} context @param {Parameters<import("../../context.js").Intents["decide"]>[0]} decision */
async function decided({ intents, reads, job, navigate }, decision) {
  const refusal = await intents.decide(decision);
  if (refusal !== null) return refusal;
  await reads.refresh(job.id);
  navigate(`#/job/${job.id}`);
  return null;
}

/** The same content sent again, since the answer was lost, is the same decision. */
function idOfContent() {
  let [known, id] = ["", ""];
  return (/** @type {unknown} */ content) => {
    const text = JSON.stringify(content);
    if (text !== known) [known, id] = [text, uuid7()];
    return id;
  };
}

/** @param {{id: string, name: string}[]} people @param {string} hint @param {(id: string) => void} chosen */
function personField(people, hint, chosen) {
  const field = selectField(
    { id: "decider", label: gettext("Who decides"), hint, value: "" },
    [["", gettext("Choose a name")], ...people.map(({ id, name }) => /** @type {[string, string]} */ ([id, name]))],
  );
  field.input.addEventListener("change", () => chosen(field.input.value));
  return field.element;
}

function withoutNetwork() {
  return notice("review", gettext("Deciding needs the network: the service checks what was decided on"));
}
