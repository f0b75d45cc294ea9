/**
 * The vehicle is measured, left standing, and measured again. The first heights stay on this tablet for days; the record
 * is made of both. Nothing is judged here.
 */

import { h } from "../../dom.js";
import { button, confirm, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime, withOffset } from "../../time.js";
import { parkedHeights } from "./heights.js";
import * as measure from "./measure.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Screen} Screen */
/** @typedef {import("../../context.js").ParkedHeights} ParkedHeights */
/** @typedef {{typed: Record<string, string>, instrument: {id: string, serial: string, length_mm: number | null} | null,
 *   start: ParkedHeights | null}} LeakDraft */

const DAYS_KEPT = 14;
const SHORT_MS = 4 * 3_600_000;

/** @param {JobContext} context @returns {Screen} */
export function render(context) {
  /** @type {LeakDraft} */
  const draft = context.drafts.get(draftKey(context.job)) ?? { typed: {}, instrument: null, start: null };
  return draft.start ? last(context, draft, draft.start) : first(context, draft);
}

/** @param {import("../../context.js").Job} job */
function draftKey(job) {
  return `leak-test:${job.id}`;
}

/** @param {JobContext} context @param {LeakDraft} draft */
function keeper({ drafts, job }, draft) {
  return () => drafts.set(draftKey(job), draft, DAYS_KEPT);
}

/** @param {JobContext} context @param {LeakDraft} draft @returns {Screen} */
function first(context, draft) {
  const { job, reads, navigate } = context;
  const keep = keeper(context, draft);
  const habits = { instrument: draft.instrument?.id ?? "" };
  const withWhat = h("div", null);
  /** @type {import("../../context.js").Instrument[]} */
  let instruments = [];
  const start = button(gettext("Keep the first heights"), () => {
    const instrument = instruments.find((each) => each.id === habits.instrument);
    const chosen = instrument && measure.chosen(instrument);
    const heights = chosen && fields.read(chosen);
    if (!heights) return;
    Object.assign(draft, { instrument: chosen, start: { at: withOffset(), ...heights }, typed: {} });
    keep();
    navigate(hashOf("job", job.id, "leak-test"));
  }, { kind: "main", disabled: true });
  const fields = parkedHeights(context, { typed: draft.typed, changed: keep });
  void reads.instruments().then((found) => {
    instruments = found;
    if (!found.some((each) => each.id === habits.instrument)) habits.instrument = found[0]?.id ?? "";
    withWhat.replaceChildren(measure.instrumentField(found, habits));
    start.disabled = found.length === 0;
  });
  return {
    heading: gettext("Test for leaks"),
    content: [
      notice(
        "note",
        gettext("Two measurements, hours apart, of the vehicle as it stands"),
        h("p", null, gettext("Engine off, doors closed, nobody aboard, the levelling asleep: a unit that wakes and levels hides the leak.")),
        h("p", null, gettext("Use the same tape and the same marks both times. Note the temperature where the vehicle stands: air shrinks when it gets colder.")),
      ),
      takeCare(job, "measure"),
      withWhat,
      fields.element,
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), start],
    update: () => undefined,
  };
}

/** @param {JobContext} context @param {LeakDraft} draft @param {ParkedHeights} begun @returns {Screen} */
function last(context, draft, begun) {
  const { job, drafts, records, navigate } = context;
  const instrument = /** @type {NonNullable<LeakDraft["instrument"]>} */ (draft.instrument);
  const fields = parkedHeights(context, { typed: draft.typed, changed: keeper(context, draft) });
  const record = once(async () => {
    const heights = fields.read(instrument);
    if (!heights) return false;
    await records.leakTest({ instrument: instrument.id, start: begun, end: { at: withOffset(), ...heights } }, drafts.idOf(draftKey(job)));
    drafts.clear(draftKey(job));
    return navigate(hashOf("job", job.id, "leak-result"));
  });
  const again = () => {
    drafts.clear(draftKey(job));
    navigate(hashOf("job", job.id, "leak-test"));
  };
  return {
    heading: gettext("The leak test goes on"),
    content: [
      notice(
        "note",
        gettext("First heights taken on %(at)s with %(serial)s", { at: dayAndTime(begun.at), serial: instrument.serial }),
        h("p", null, gettext("Leave it standing: engine off, levelling asleep. The later the second heights, the more they tell; over night is best.")),
        h("p", null, gettext("They are kept on this tablet. You may go on with other vehicles and come back here.")),
      ),
      isShort(begun) && notice("review", gettext("So short a test hardly decides anything yet")),
      begun.temperature_deg_c === undefined &&
        h("p", null, gettext("No temperature was noted at first: what cold does is not taken out.")),
      takeCare(job, "measure"),
      fields.element,
      confirm(
        gettext("Begin anew …"),
        h("p", null, gettext("The first heights are thrown away. They are on no record yet.")),
        button(gettext("Throw them away"), again, { kind: "danger", final: true }),
      ),
    ],
    actions: [
      link(gettext("Back"), hashOf("job", job.id)),
      button(gettext("Record the leak test"), () => void record(), { kind: "main" }),
    ],
    update: () => undefined,
  };
}

/** @param {ParkedHeights} begun */
function isShort({ at }) {
  return Date.now() - Date.parse(at) < SHORT_MS;
}

/** What the screen of the job says while a test goes on here. @param {JobContext} context */
export function goingOn({ job, drafts }) {
  const draft = /** @type {LeakDraft | null} */ (drafts.get(draftKey(job)));
  if (!draft?.start) return null;
  return notice(
    "note",
    gettext("A leak test goes on since %(at)s", { at: dayAndTime(draft.start.at) }),
    h("p", null, h("a", { href: hashOf("job", job.id, "leak-test") }, gettext("Take the second heights"))),
  );
}
