/** The PIN of somebody whose records wait for it: they go on their way, and whoever is at the tablet stays there. */

import { fill, h } from "../dom.js";
import { pinPad } from "../pin_pad.js";
import { problemWords } from "../problems.js";
import { hashOf } from "../router.js";
import { gettext } from "../texts.js";

/**
 * @param {import("../context.js").Context} context its address: the person, then where to go afterwards
 * @param {import("../app.js").App} app
 * @returns {import("../context.js").Screen}
 */
export function renderPin({ route, navigate }, app) {
  const [id, ...rest] = route.rest;
  const back = hashOf(...(rest.length ? rest : ["tray"]));
  const content = h("div", { class: "stack" });
  const { session } = app;
  void session.nameOf(id).then((name) => {
    const submit = async (/** @type {string} */ pin) => {
      const reply = await (session.person ? session.letGo({ id, name }, pin) : session.pick({ id, name }, pin));
      if (!reply.body) return problemWords(reply.problem, reply.status);
      app.sending?.sender.wake();
      navigate(back);
      return null;
    };
    fill(content, pinPad({ label: gettext("PIN of %(name)s", { name }), action: gettext("Send"), submit }));
    content.querySelector("input")?.focus();
  });
  return {
    heading: gettext("Send what waits for a PIN"),
    content,
    actions: [h("a", { class: "button", href: back }, gettext("Back"))],
    update: () => undefined,
  };
}
