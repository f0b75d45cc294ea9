/** The job stops for a while, goes on again, ends, or goes back to the set-points as found. */

import { fill, h } from "../../dom.js";
import { button, choices, confirm, cornerName, facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { countFields } from "./counts.js";
import { onTheWay, setpointsNow } from "./course.js";
import { linesField } from "./fields.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Screen} Screen */

/** @param {string} label */
function reasonField(label) {
  return linesField({ id: "reason", label });
}

/** The reason, or null where it is missing, which is then said. @param {import("./fields.js").Field} field */
function reasonOf(field) {
  const text = field.input.value.trim();
  field.fail(text ? null : gettext("Say why. It stays on record."));
  if (!text) field.input.focus();
  return text || null;
}

/** @param {JobContext} context @returns {Screen} */
export function renderPause(context) {
  const { job, records, navigate } = context;
  const reason = reasonField(gettext("What is waited for"));
  const pause = once(async () => {
    const why = reasonOf(reason);
    if (!why) return false;
    await records.pause({ reason: why });
    return navigate(hashOf("job", job.id));
  });
  return {
    heading: gettext("Pause the job"),
    content: [reason.element, takeCare(job)],
    actions: [
      link(gettext("Back"), hashOf("job", job.id)),
      button(gettext("Pause"), () => void pause(), { kind: "main" }),
    ],
    update: () => undefined,
  };
}

/** @param {JobContext} context @returns {Screen} */
export function renderPaused(context) {
  const { job, drafts, records, navigate } = context;
  const key = `resumption:${job.id}`;
  /** @type {{typed: Record<string, string>, unchanged: boolean | null}} */
  const draft = drafts.get(key) ?? { typed: {}, unchanged: null };
  const keep = () => drafts.set(key, draft);
  const reason = reasonField(gettext("Why it goes on"));
  const last = job.pauses.at(-1)?.reason;
  const resume = once(async () => {
    const [why, setpoints] = [reasonOf(reason), fields.read()];
    if (!why || !setpoints || draft.unchanged === null) return false;
    await records.resume({ reason: why, setpoints, nothing_changed: draft.unchanged }, drafts.idOf(key));
    drafts.clear(key);
    return navigate(hashOf("job", job.id));
  });
  const fields = countFields(
    context,
    { typed: draft.typed, changed: keep, done: () => reason.input.focus() },
  );
  const goOn = button(
    gettext("Go on with the job"),
    () => void resume(),
    { kind: "main", disabled: draft.unchanged === null },
  );
  return {
    heading: gettext("The job is paused"),
    content: [
      last ? facts([[gettext("Waited for"), last]]) : null,
      onTheWay(context.waiting, job).length > 0 && notice("note", gettext("The pause is kept and on its way")),
      takeCare(job),
      choices({
        id: "unchanged",
        label: gettext("Meanwhile, on the vehicle"),
        options: [
          ["yes", gettext("nothing was changed, moved or loaded")],
          ["no", gettext("something was, or may have been, changed")],
        ],
        value: draft.unchanged === null ? null : draft.unchanged ? "yes" : "no",
        changed: (value) => {
          draft.unchanged = value === "yes";
          goOn.disabled = false;
          keep();
        },
      }),
      h("p", null, gettext("Read the set-points with your tool:")),
      fields.element,
      reason.element,
    ],
    actions: [link(gettext("Other steps"), hashOf("job", job.id, "other")), goOn],
    update: () => undefined,
  };
}

/** @param {JobContext} context @returns {Screen} */
export function renderEnd(context) {
  const { job, drafts, records, navigate, waiting } = context;
  const isWritten = job.writes.length > 0 || onTheWay(waiting, job).some((each) => each.kind === "write");
  const key = `end:${job.id}`;
  /** @type {{typed: Record<string, string>}} */
  const draft = drafts.get(key) ?? { typed: {} };
  const kinds = endings();
  let kind = "";
  const reason = linesField({ id: "reason", label: gettext("More about it"), hint: gettext("Needed where it is something else.") });
  const say = h("p", { class: "field-error", role: "alert" });
  const end = once(async () => {
    fill(say, kind ? null : gettext("Choose why it ends here."));
    if (!kind) return false;
    const [why, setpoints] = [endReason(kinds[kind] ?? "", reason), isWritten ? fields.read() : {}];
    if (!why || !setpoints) return false;
    await records.end(isWritten ? { reason: why, setpoints } : { reason: why }, drafts.idOf(key));
    drafts.clear(key);
    return navigate(hashOf("job", job.id));
  });
  const fields = countFields(
    context,
    { typed: draft.typed, changed: () => drafts.set(key, draft), done: () => reason.input.focus() },
  );
  return {
    heading: gettext("End the job"),
    content: [
      notice(
        "review",
        gettext("A job that is ended gives a findings report, no certificate"),
        isWritten && h("p", null, gettext("Set-points were written. Consider going back to those as found first.")),
      ),
      isWritten ? [
        h("p", null, gettext("Read the set-points with your tool: these are left in the vehicle.")),
        fields.element,
      ] : null,
      choices({
        id: "kind",
        label: gettext("Why it ends here"),
        options: [...Object.entries(kinds), ["other", gettext("Something else")]],
        value: null,
        changed: (value) => {
          kind = value;
          fill(say);
        },
      }),
      say,
      reason.element,
      takeCare(job),
      confirm(
        gettext("End the job …"),
        h("p", null, gettext("It cannot be opened again. The vehicle can have another job at any time.")),
        button(gettext("End it"), () => void end(), { kind: "danger", final: true }),
      ),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id))],
    update: () => undefined,
  };
}

/** Why jobs end without sign-off; in these words they stand in the findings report. @returns {Record<string, string>} */
function endings() {
  return {
    sent_away: gettext("Sent away to be repaired first"),
    not_mended: gettext("A fault cannot be mended here"),
    as_it_is: gettext("The customer takes it as it is"),
    inspected: gettext("Only the findings were wanted"),
    by_mistake: gettext("The job was opened by mistake"),
  };
}

/** @param {string} kind in words; none: something else @param {import("./fields.js").Field} more */
function endReason(kind, more) {
  if (!kind) return reasonOf(more);
  const text = more.input.value.trim();
  return text ? `${kind}: ${text}` : kind;
}

/** @param {JobContext} context @returns {Screen} */
export function renderGoBack(context) {
  const { job, records, navigate, waiting } = context;
  const reason = reasonField(gettext("Why it goes back"));
  const [found, now] = [job.as_found?.setpoints ?? {}, setpointsNow(job, waiting) ?? {}];
  const goBack = once(async () => {
    const why = reasonOf(reason);
    if (!why) return false;
    await records.reversion({ reason: why });
    return navigate(hashOf("job", job.id));
  });
  /** @type {[string, string][]} */
  const rows = CORNERS.filter((corner) => corner in found).map(
    (corner) => [cornerName(corner), `${now[corner] ?? "–"} → ${found[corner]}`],
  );
  return {
    heading: gettext("Back to the set-points as found"),
    content: [
      rows.length > 0 ? facts(rows) : notice(
        "note",
        gettext("Nothing was measured in this job yet: there is no way back to go"),
      ),
      h(
        "p",
        null,
        gettext("The service says what to write, in steps. The job then ends with a round and a findings report."),
      ),
      reason.element,
      takeCare(job),
      confirm(
        gettext("Go back …"),
        h("p", null, gettext("No further proposal is made in this job.")),
        button(gettext("Go back"), () => void goBack(), { kind: "danger", final: true }),
      ),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id))],
    update: () => undefined,
  };
}
