/** Who is at the tablet: pick a name, prove it by PIN. */

import { fill, h } from "../dom.js";
import { button, empty } from "../parts.js";
import { pinPad } from "../pin_pad.js";
import { problemWords } from "../problems.js";
import { gettext } from "../texts.js";

/** @typedef {import("../app.js").App} App */
/** @typedef {import("../session.js").Pickable} Pickable */

/**
 * @param {App} app
 * @returns {import("../context.js").Screen}
 */
export function renderPeople(app) {
  const content = h("div", { class: "stack" }, h("p", { class: "soft" }, gettext("Reading who works here …")));
  const list = async () => {
    const people = await app.session.people();
    fill(content, people.length ? names(people, choose) : nobody(app));
  };
  const choose = (/** @type {Pickable} */ person) => {
    const another = button(gettext("Somebody else"), () => void list());
    fill(content, another, pad(app, person));
    content.querySelector("input")?.focus();
  };
  void list();
  return { heading: gettext("Who is at the tablet?"), content, update: () => {} };
}

/**
 * @param {Pickable[]} people
 * @param {(person: Pickable) => void} choose
 */
function names(people, choose) {
  const rows = people.map((person) => {
    if (person.has_pin) return h("li", null, button(person.name, () => choose(person)));
    const why = h("span", { class: "soft small" }, gettext("has no PIN yet; it is set under “Your account”"));
    return h("li", null, h("p", { class: "bench-name" }, person.name, " ", why));
  });
  return h("ul", { class: "bench-names" }, ...rows);
}

/** @param {App} app */
function nobody(app) {
  const why = app.online
    ? gettext("Nobody of this workshop works at tablets yet. A manager invites people with the role of technician.")
    : gettext("There is no connection, and this tablet does not know yet who works here. Connect it first.");
  return empty(h("p", null, why));
}

/**
 * @param {App} app
 * @param {Pickable} person
 */
function pad(app, person) {
  return pinPad({
    label: gettext("PIN of %(name)s", { name: person.name }),
    action: gettext("Start"),
    submit: async (pin) => {
      const reply = await app.session.pick(person, pin);
      if (!reply.body) return problemWords(reply.problem, reply.status);
      app.sending?.sender.wake();
      await app.show();
      return null;
    },
  });
}
