/** Set-points other than the computed ones, with the reason for them; every limit holds all the same. */

import { h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { countFields } from "./counts.js";
import { setpointsNow } from "./course.js";
import { linesField } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, records, navigate, waiting } = context;
  const key = `by-hand:${job.id}`;
  /** @type {{typed: Record<string, string>, why: string}} */
  const draft = drafts.get(key) ?? { typed: {}, why: "" };
  const keep = () => drafts.set(key, draft);
  const stored = setpointsNow(job, waiting);
  const why = linesField(
    { id: "justification", label: gettext("Why these, and not the computed ones"), value: draft.why },
  );
  why.input.addEventListener("input", () => {
    draft.why = why.input.value;
    keep();
  });
  const ask = once(async () => {
    const setpoints = fields.read();
    why.fail(
      draft.why.trim() ? null : gettext("Say why: whoever approves it, and the certificate, will want to know."),
    );
    if (!setpoints || !draft.why.trim()) return false;
    await records.propose({ setpoints, justification: draft.why.trim() }, drafts.idOf(key));
    drafts.clear(key);
    return navigate(hashOf("job", job.id));
  });
  const fields = countFields(context, {
    typed: draft.typed,
    changed: keep,
    done: () => why.input.focus(),
    hint: (corner, shown) => gettext("stored now: %(count)s", { count: shown(stored?.[corner]) }),
  });
  return {
    heading: gettext("Set-points by hand"),
    content: [
      notice("note", gettext("Nothing is written yet: the service checks every limit and says what to expect")),
      fields.element,
      why.element,
      takeCare(job),
    ],
    actions: [
      link(gettext("Back"), hashOf("job", job.id)),
      button(gettext("Have them checked"), () => void ask(), { kind: "main" }),
    ],
    update: () => undefined,
  };
}
