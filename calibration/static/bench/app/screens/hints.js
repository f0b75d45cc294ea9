/** What somebody should know about this tablet before they rely on it. */

import { h } from "../dom.js";
import { notice } from "../parts.js";
import { gettext } from "../texts.js";

/**
 * @param {import("../app.js").App} app
 * @returns {import("../context.js").Content}
 */
export function hints({ installation, sending, session }) {
  const waitingFor = [...(sending?.report?.sign_in ?? [])].filter((id) => id && id !== session.person?.id);
  return [
    installation === "insecure" &&
      notice(
        "review",
        gettext("This tablet cannot work offline"),
        h("p", null, gettext("The address begins with http, not https: the app opens only while the network is there. What you record is still kept until it is sent. Ask for the https address.")),
      ),
    installation === "unable" &&
      notice(
        "review",
        gettext("This tablet cannot open the app without network"),
        h("p", null, gettext("The browser did not keep the app's files. What you record is still kept until it is sent.")),
      ),
    waitingFor.length > 0 &&
      notice(
        "review",
        gettext("Somebody else's records wait for their PIN"),
        h("p", null, gettext("They recorded on this tablet and are signed out since. Their records go as soon as they enter their PIN.")),
      ),
  ];
}

/**
 * What makes the records safer still.
 * @param {import("../app.js").App} app
 */
export function installationHint({ storage, installation }) {
  if (storage === null || storage.persisted || installation !== "ready") return null;
  const todo = gettext("Add the app to the home screen: then the browser does not clear its records away when the tablet is short of room.");
  return notice("note", gettext("Install the app"), h("p", null, todo));
}
