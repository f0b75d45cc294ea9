/** Set-points that were written otherwise than a proposal said: what happened is a record, whatever is thought of it. */

import { h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { countFields } from "./counts.js";
import { setpointsNow } from "./course.js";
import { momentFields } from "./moment.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts, records, navigate, waiting } = context;
  const key = `written-otherwise:${job.id}`;
  /** @type {{typed: Record<string, string>}} */
  const draft = drafts.get(key) ?? { typed: {} };
  const before = setpointsNow(job, waiting);
  const when = momentFields({
    day: gettext("Day of the write"),
    time: gettext("Time of the write"),
    value: new Date(),
  });
  const store = once(async () => {
    const [written_at, read_back] = [when.read(), fields.read()];
    if (!written_at || !read_back) return false;
    const kept = await records.write({ written_at, read_back }, drafts.idOf(key));
    drafts.clear(key);
    drafts.set(`last:${job.id}`, { write: kept.id });
    return navigate(hashOf("job", job.id));
  });
  const fields = countFields(context, {
    typed: draft.typed,
    changed: () => drafts.set(key, draft),
    done: () => void store(),
    hint: (corner, shown) => gettext("before: %(count)s", { count: shown(before?.[corner]) }),
  });
  return {
    heading: gettext("Written otherwise"),
    content: [
      notice(
        "note",
        gettext("For set-points that were stored without a proposal"),
        h("p", null, gettext("It is kept as it happened. A manager looks at it before the job can be signed off.")),
      ),
      h("p", null, gettext("Read the set-points from the control unit and type what it shows.")),
      fields.element,
      when.element,
      takeCare(job),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), button(gettext("Record it"), () => void store(), { kind: "main" })],
    update: () => undefined,
  };
}
