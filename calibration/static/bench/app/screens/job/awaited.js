/** Everything that could be done here is kept; the service says what follows. */

import { absentNotices } from "../../absent.js";
import { h } from "../../dom.js";
import { button, facts, notice } from "../../parts.js";
import { kindWords } from "../../problems.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { clockTime } from "../../time.js";
import { onTheWay } from "./course.js";
import { link } from "./parts.js";
import { notTaken } from "./read_back.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, online, waiting, absent } = context;
  const isSending = online && absent.length === 0;
  const kept = onTheWay(waiting, job).map(
    (each) => /** @type {[string, string]} */ ([kindWords(each.kind), clockTime(each.noted_at)]),
  );
  const what = isSending
    ? gettext("It is being sent. What comes next shows here as soon as the service has answered.")
    : online
      ? gettext("It is sent by itself after the records that wait; then what comes next shows here.")
      : gettext("There is no connection now. It is sent by itself when there is; then what comes next shows here.");
  return {
    heading: isSending ? gettext("Kept, and on its way") : gettext("Kept on this tablet"),
    content: [
      notTaken(context),
      absentNotices(absent, "job", job.id),
      notice("note", gettext("Nothing is lost"), h("p", null, what)),
      facts(kept),
      h("p", null, gettext("Until then you may measure another round, or take photos.")),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      link(gettext("Measure another round"), hashOf("job", job.id, "measure")),
      button(gettext("Look again"), () => void context.reads.refresh(job.id), { kind: "main" }),
    ],
  };
}
