/** How this tablet is held and lit, how one reads lengths, and who is at it. */

import { appearance, setAppearance } from "../appearance.js";
import { h } from "../dom.js";
import { languages, speak } from "../language.js";
import { button, choices, facts, notice } from "../parts.js";
import { problemWords } from "../problems.js";
import { gettext, language } from "../texts.js";
import { hints, installationHint } from "./hints.js";

/**
 * @param {import("../context.js").Context} context
 * @param {import("../app.js").App} app
 * @returns {import("../context.js").Screen}
 */
export function renderSettings(context, app) {
  const { hand, theme } = appearance();
  const units = async (/** @type {string} */ length) => {
    const reply = await app.session.setUnits(length === "inch" ? "inch" : "mm");
    if (!reply.body) context.say(problemWords(reply.problem, reply.status), "review");
    await app.refresh();
  };
  const leave = async () => {
    await app.session.leave();
    await app.show();
  };
  return {
    heading: gettext("Settings"),
    content: h(
      "div",
      { class: "stack" },
      hints(app),
      choices({
        id: "units",
        label: gettext("Heights are shown and typed in"),
        hint: gettext("Of %(name)s, on every tablet. Records are kept in millimetres.", { name: context.person.name }),
        options: [
          ["mm", gettext("millimetres")],
          ["inch", gettext("inches, as 19.13 or 19 1/8")],
        ],
        value: context.units.length,
        changed: (length) => void units(length),
      }),
      languageChoice(context),
      choices({
        id: "hand",
        label: gettext("Buttons lie at the"),
        options: [
          ["right", gettext("right")],
          ["left", gettext("left")],
        ],
        value: hand,
        changed: (value) => (setAppearance("hand", value), void app.refresh()),
      }),
      choices({
        id: "theme",
        label: gettext("Light"),
        options: [
          ["", gettext("as the tablet is set")],
          ["light", gettext("light, for the sun")],
          ["dark", gettext("dark, for a dark bay")],
        ],
        value: theme,
        changed: (value) => setAppearance("theme", value),
      }),
      facts(about(app)),
      installationHint(app),
      !context.online && notice("note", gettext("Without connection nobody could sign in again, so nobody signs out now.")),
    ),
    actions: [button(gettext("Sign out %(name)s", { name: context.person.name }), () => void leave(), { disabled: !context.online })],
  };
}

/** It is fetched, hence only with a connection. @param {import("../context.js").Context} context */
function languageChoice(context) {
  const offered = languages();
  if (offered.length < 2 || !context.online) return null;
  const failed = () => context.say(problemWords(null, 0), "review");
  return choices({
    id: "language",
    label: gettext("Language"),
    hint: gettext("Of this tablet, for everybody at it."),
    options: offered,
    value: language(),
    changed: (code) => void speak(code).catch(failed),
  });
}

/**
 * @param {import("../app.js").App} app
 * @returns {[string, string][]}
 */
function about({ session, storage, installation }) {
  const offline = { ready: gettext("yes"), insecure: gettext("no, the address is not https"), unable: gettext("no") };
  return [
    [gettext("Workshop"), session.enrolled?.workshop.name ?? "–"],
    [gettext("This tablet"), session.enrolled?.tablet.name ?? "–"],
    [gettext("Opens without network"), installation ? offline[installation] : "…"],
    [gettext("Records are safe from clearing up"), storage?.persisted ? gettext("yes") : gettext("not promised by the browser")],
  ];
}
