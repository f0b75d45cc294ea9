/** What was mended or happened to the vehicle: it decides what has to be measured anew. */

import { h } from "../../dom.js";
import { button, choices, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { withOffset } from "../../time.js";
import { linesField } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";
import { CORNERS, eventKinds, WHOLE_VEHICLE } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {{kind: string, corner: Corner | "", note: string}} EventDraft */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, records, navigate } = context;
  const key = `event:${job.id}`;
  /** @type {EventDraft} */
  const draft = drafts.get(key) ?? { kind: "", corner: job.next_step_detail.corners[0] ?? "", note: "" };
  const note = linesField({ id: "note", label: gettext("What was done"), value: draft.note, optional: true });
  const changed = (/** @type {Partial<EventDraft>} */ what) => {
    Object.assign(draft, what);
    drafts.set(key, draft);
    where.hidden = !draft.kind || WHOLE_VEHICLE.includes(draft.kind);
    record.disabled = !draft.kind || (!where.hidden && !draft.corner);
  };
  note.input.addEventListener("input", () => changed({ note: note.input.value }));
  const where = h(
    "div",
    null,
    choices({
      id: "corner",
      label: gettext("At which corner"),
      options: CORNERS.map((corner) => [corner, cornerName(corner)]),
      value: draft.corner || null,
      changed: (value) => changed({ corner: /** @type {Corner} */ (value) }),
    }),
  );
  const record = button(gettext("Record it"), () => void store(), { kind: "main" });
  const store = once(async () => {
    const at = where.hidden ? {} : { corner: /** @type {Corner} */ (draft.corner) };
    await records.event({ kind: draft.kind, ...at, happened_at: withOffset(), note: draft.note.trim() }, drafts.idOf(key));
    drafts.clear(key);
    navigate(hashOf("job", job.id));
  });
  changed({});
  return {
    heading: gettext("What was mended"),
    content: [
      notice("note", gettext("Afterwards readiness is checked and the heights are measured anew")),
      choices(
        {
          id: "kind",
          label: gettext("Work on the vehicle"),
          options: eventKinds(),
          value: draft.kind || null,
          changed: (kind) => changed({ kind }),
        },
      ),
      where,
      note.element,
      takeCare(job),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), record],
    update: () => undefined,
  };
}
