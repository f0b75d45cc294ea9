/** A few more readings can decide: at which corners, and how many. */

import { h } from "../../dom.js";
import { button, cornerName, facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext, ngettext } from "../../texts.js";
import { link, takeCare } from "./parts.js";
import { chosen } from "./measure.js";
import { begun, draftKey } from "./round.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Corner} Corner */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job } = context;
  const wanted = wantedReadings(job);
  return {
    heading: gettext("A few more readings"),
    content: [
      notice("note", job.next_step_detail.detail),
      takeCare(job),
      facts(
        wantedCorners(wanted).map(
          (corner) => [
            cornerName(corner),
            ngettext("%(count)s more reading", "%(count)s more readings", wanted[corner] ?? 0),
          ],
        ),
      ),
      h("p", null, gettext("The vehicle has not moved since: same marks, same instrument, same person.")),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      button(gettext("Begin reading"), () => void begin(context, wanted), { kind: "main" }),
    ],
  };
}

/** @param {JobContext} context @param {Partial<Record<Corner, number>>} wanted */
async function begin({ job, drafts, navigate, reads }, wanted) {
  const round = job.assessment.rounds.at(-1);
  const known = drafts.get(draftKey(job));
  if (known?.round !== round) {
    const id = job.rounds.find((each) => each.id === round)?.instrument;
    const instrument = (await reads.instruments()).find((each) => each.id === id) ?? { id, serial: "", kind: "" };
    drafts.set(
      draftKey(job),
      begun({ instrument: chosen(instrument), reader: null, order: "corner" }, { round, wanted }),
    );
  }
  navigate(hashOf("job", job.id, "corners"));
}

/** @param {import("../../context.js").Job} job @returns {Partial<Record<Corner, number>>} */
function wantedReadings(job) {
  const corners = job.assessment?.corners ?? {};
  return Object.fromEntries(CORNERS.map((corner) => [corner, corners[corner]?.read_again ?? 0]));
}

/** @param {Partial<Record<Corner, number>>} wanted */
function wantedCorners(wanted) {
  return CORNERS.filter((corner) => wanted[corner]);
}
