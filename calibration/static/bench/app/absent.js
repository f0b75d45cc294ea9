/** Whose records wait for a PIN: their shift at this tablet is over, or they do not work here any more. */

import { h } from "./dom.js";
import { notice } from "./parts.js";
import { hashOf } from "./router.js";
import { gettext, ngettext } from "./texts.js";

/** @typedef {import("./context.js").Absent} Absent */
/** @typedef {import("./session.js").Session} Session */

/**
 * @param {Session} session
 * @param {{person: string | null, state: string}[]} records
 * @returns {Promise<Absent[]>}
 */
export async function absentOf(session, records) {
  const counts = new Map();
  for (const { person, state } of records) {
    if (person && state === "waiting") counts.set(person, (counts.get(person) ?? 0) + 1);
  }
  const people = await session.knownPeople();
  const found = [];
  for (const [id, count] of counts) {
    if ((await session.token(id)) !== null) continue;
    found.push({ id, count, name: await session.nameOf(id), isListed: people.some((each) => each.id === id) });
  }
  return found;
}

/**
 * @param {Absent[]} absent
 * @param {string[]} back what follows in the address of the PIN: where to go afterwards
 */
export function absentNotices(absent, ...back) {
  return absent.map((each) => (each.isListed ? pinAsked(each, back) : leftWords(each)));
}

/** @param {Absent} absent @param {string[]} back */
function pinAsked({ id, name, count }, back) {
  const heading = ngettext(
    "%(count)s record of %(name)s waits for a PIN",
    "%(count)s records of %(name)s wait for a PIN",
    count,
    { name },
  );
  const why = gettext("The time of %(name)s at this tablet is over. What was recorded goes on its way with the PIN of %(name)s.", { name });
  const enter = h("a", { class: "button", href: hashOf("pin", id, ...back) }, gettext("Enter the PIN of %(name)s", { name }));
  return notice("review", heading, h("p", null, why), h("p", null, enter));
}

/** @param {Absent} absent */
function leftWords({ name, count }) {
  const heading = ngettext(
    "%(count)s record of %(name)s cannot be sent",
    "%(count)s records of %(name)s cannot be sent",
    count,
    { name },
  );
  const why = gettext("%(name)s is no longer among the people who work at tablets. A manager lets %(name)s in again, or takes in what was recorded from the file that is saved under “Only on this tablet”.", { name });
  return notice("review", heading, h("p", null, why), h("p", null, h("a", { href: hashOf("tray") }, gettext("Only on this tablet"))));
}
