/** Where the app begins: what somebody sees on a tablet that nobody has enrolled yet comes first, then all else. */

import { recallAppearance } from "./appearance.js";
import { Cupboard, CUPBOARD } from "./cupboard.js";
import { Frame, NOBODY } from "./frame.js";
import { fetchAhead, notLoaded, sayLoadAgain } from "./loading.js";
import { renderEnrolment } from "./screens/enrolment.js";

/** @typedef {import("./context.js").Screen} Screen */

recallAppearance();
const cupboard = new Cupboard(CUPBOARD);
const frame = new Frame();
// What the storage refuses is told by the app.
const isKnown = (await cupboard.get("tablet").catch(() => true)) !== null;
const first = isKnown ? null : enrolment();
fetchAhead("app");
if (isKnown) fetchAhead("shell");
const rest = import("./rest.js");
rest.catch(incomplete);
const app = rest.then(({ begin }) => begin(frame, cupboard, first));

/** @returns {Screen} */
function enrolment() {
  const screen = renderEnrolment((code, device) => rest.then(async () => (await app).enrol(code, device), notLoaded));
  frame.mount();
  frame.tell({ ...NOBODY, online: navigator.onLine });
  frame.show(screen, true);
  return screen;
}

function incomplete() {
  if (!first) {
    frame.mount();
    frame.show({ heading: "Levelbook", content: null }, true);
  }
  sayLoadAgain(frame);
}
