/** What stands around every screen: the vehicle, what is on this tablet only, who is at it; and the bar of buttons. */

import { fill, h } from "./dom.js";
import { notice } from "./parts.js";
import { hashOf } from "./router.js";
import { gettext, ngettext } from "./texts.js";
import { clockTime, dayAndTime } from "./time.js";

/** @typedef {import("./context.js").Pending} Pending */
/** @typedef {import("./context.js").Screen} Screen */

/**
 * @typedef {object} Status
 * @property {{vin: string, registration: string | null} | null} vehicle
 * @property {boolean} online
 * @property {Pending} pending
 * @property {'read' | 'being_written' | 'unread'} outbox whether `pending` is all that there is on this tablet
 * @property {string | null} person
 * @property {boolean} [isTyping] whether readings of a round were typed that are on no record yet
 */

export const NOTHING_PENDING = { count: 0, waiting: 0, not_accepted: 0, to_sign: 0, since: null };
/** @type {Status} of a tablet at which nobody is */
export const NOBODY = { vehicle: null, online: true, pending: NOTHING_PENDING, outbox: "unread", person: null };
/** Whatever becomes of a finger that never lifts. */
const LONGEST_PRESS_MS = 1_000;

export class Frame {
  #drawn = "";
  /** @type {Promise<unknown>} */
  #untouched = Promise.resolve();

  constructor() {
    this.top = h("div", { class: "bench-row" });
    this.heading = h("h1", null);
    this.notices = h("div", { class: "bench-told", "aria-live": "polite" });
    this.content = h("div", { class: "stack" });
    this.actions = h("div", { class: "actions" });
    this.main = h(
      "main",
      { class: "bench-main", id: "content", tabindex: -1 },
      h("div", { class: "page-head" }, this.heading),
      this.notices,
      this.content,
    );
  }

  /** Take the place of the page that said it is starting. */
  mount() {
    document.addEventListener("pointerdown", () => (this.#untouched = untilLifted()), { capture: true });
    document.body.replaceChildren(
      h("a", { class: "skip", href: "#content", click: this.#skip }, gettext("Skip to the content")),
      h("header", { class: "bench-top" }, this.top),
      this.main,
      h(
        "div",
        { class: "bench-bar", role: "region", "aria-label": gettext("What to do next") },
        h("div", { class: "bench-row" }, this.actions),
      ),
    );
  }

  /**
   * @param {Screen} screen
   * @param {boolean} isNew another screen than before: it takes the focus
   */
  show(screen, isNew) {
    const focused = document.activeElement?.id;
    const isOther = isNew || this.heading.textContent !== screen.heading;
    const unfolded = new Set(isOther ? [] : folds(this.content).filter(({ open }) => open).map(titleOf));
    document.title = `${screen.heading} – Levelbook`;
    fill(this.heading, screen.heading);
    fill(this.content, screen.content);
    for (const fold of folds(this.content)) fold.open ||= unfolded.has(titleOf(fold));
    fill(this.actions, ...(screen.actions ?? []));
    if (isNew) fill(this.notices);
    if (isOther) {
      scrollTo(0, 0);
      this.main.focus({ preventScroll: true });
    } else if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  }

  /** What is pressed stays in its place until the press is over: else the browser would not take it for a press. */
  untouched() {
    return this.#untouched;
  }

  /** @param {Status} status */
  tell(status) {
    const key = JSON.stringify(status);
    if (key === this.#drawn) return;
    this.#drawn = key;
    fill(this.top, this.#left(status), this.#right(status));
  }

  /**
   * @param {string} text
   * @param {'note' | 'review' | 'stop'} severity
   * @param {import("./context.js").Content[]} more
   */
  say(text, severity, ...more) {
    fill(this.notices, notice(severity, text, ...more));
  }

  /** @param {Event} event */
  #skip = (event) => {
    event.preventDefault(); // The address names the screen.
    this.main.focus();
  };

  /** @param {Status} status */
  #left({ vehicle, person }) {
    if (!person) return h("p", { class: "wordmark" }, "Levelbook");
    const home = h("a", { class: "button bench-home", href: hashOf("today") }, gettext("Today"));
    if (!vehicle) return home;
    const strip = h(
      "div",
      { class: "vehicle", role: "group", "aria-label": gettext("Vehicle") },
      h("span", { class: "vehicle-registration" }, vehicle.registration || "–"),
      h("span", { class: "vehicle-vin" }, gettext("VIN ends in"), " ", h("b", null, vehicle.vin.slice(-6))),
    );
    return h("div", { class: "bench-where" }, home, strip);
  }

  /** @param {Status} status */
  #right({ online, pending, outbox, person, isTyping = false }) {
    const held = heldWords(pending);
    const sent = outbox === "read" ? sentWords(isTyping) : outbox === "being_written" && gettext("Being recorded");
    return h(
      "div",
      { class: "bench-status" },
      h("span", { class: online ? "state" : "state state-waiting" }, online ? gettext("connected") : gettext("no connection")),
      held ? h("a", { class: "bench-held", href: hashOf("tray") }, held) : h("span", { class: "bench-sent" }, sent),
      person && h("a", { class: "button bench-person", href: hashOf("settings") }, person),
    );
  }
}

function untilLifted() {
  return new Promise((resolve) => {
    const lifted = () => setTimeout(resolve); // After the click, which follows at once.
    for (const end of ["pointerup", "pointercancel"]) document.addEventListener(end, lifted, { once: true, capture: true });
    setTimeout(resolve, LONGEST_PRESS_MS);
  });
}

/** @param {boolean} isTyping */
function sentWords(isTyping) {
  return isTyping ? gettext("Typed, not yet recorded") : gettext("All records sent");
}

/**
 * How many records are on this tablet only, and since when.
 * @param {Pending} pending
 */
export function heldWords({ count, not_accepted, since }) {
  if (!count || since === null) return null;
  const at = Date.now() - since > 12 * 3_600_000 ? dayAndTime(since) : clockTime(since);
  const held = ngettext(
    "%(count)s record is on this tablet only, since %(at)s",
    "%(count)s records are on this tablet only, since %(at)s",
    count,
    { at },
  );
  if (!not_accepted) return held;
  return `${held}; ${ngettext("%(count)s not accepted", "%(count)s not accepted", not_accepted)}`;
}

/** @param {Element} within @returns {HTMLDetailsElement[]} */
function folds(within) {
  return [...within.querySelectorAll("details")];
}

/** @param {HTMLDetailsElement} fold */
function titleOf(fold) {
  return fold.querySelector("summary")?.textContent;
}
