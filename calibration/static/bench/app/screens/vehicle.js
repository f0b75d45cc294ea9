/** Find a vehicle by VIN or registration; one vehicle, and the way into its job. */

import { fill, flat, h } from "../dom.js";
import { button, facts, field, notice } from "../parts.js";
import { hashOf } from "../router.js";
import { canScan, scanner } from "../scan.js";
import { gettext, ngettext } from "../texts.js";
import { dayAndTime } from "../time.js";
import { normalised, vinHelp } from "../vin.js";
import { reasonWords, stateWords } from "../words.js";

/** @typedef {import("../context.js").Context} Context */
/** @typedef {import("../context.js").Screen} Screen */
/** @typedef {import("../context.js").Vehicle} Vehicle */

const LEAST = 3;
const PAUSE_MS = 300;

/**
 * Typed, with help as it is typed; scanned where the browser can.
 * @param {Context} context
 */
export function finder(context) {
  const help = h("p", { class: "field-hint", role: "status" });
  const results = h("div", null);
  const search = h("input", {
    type: "search",
    autocomplete: "off",
    autocapitalize: "characters",
    spellcheck: "false",
    maxlength: 40,
    input: () => typed(),
  });
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let pause;
  const typed = () => {
    clearTimeout(pause);
    fill(help, helpWords(normalised(search.value)));
    pause = setTimeout(() => void look(), PAUSE_MS);
  };
  const look = async () => {
    const text = search.value.trim();
    if (text.length < LEAST) return fill(results);
    const found = await context.reads.find(text);
    if (search.value.trim() !== text) return;
    fill(results, found ? resultList(found) : notice("review", gettext("No connection: choose from today's jobs")));
  };
  const found = (/** @type {string} */ vin) => context.navigate(hashOf("vehicle", vin));
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    if (normalised(search.value).length === 17) found(normalised(search.value));
    else void look();
  };
  return h(
    "form",
    { class: "stack", role: "search", submit },
    field({
      id: "find",
      label: gettext("Find a vehicle"),
      control: search,
      hint: gettext("VIN, its last six, or the registration."),
    }),
    help,
    canScan() ? scanner(found) : null,
    results,
  );
}

/** @param {Vehicle[]} vehicles */
function resultList(vehicles) {
  if (!vehicles.length) {
    return notice("note", gettext("No vehicle found"), h("p", null, gettext("A new vehicle is added on the vehicles' page.")));
  }
  return h("ul", { class: "bench-list" }, ...vehicles.map((vehicle) => h("li", null, vehicleLink(vehicle))));
}

/** @param {Vehicle} vehicle */
function vehicleLink({ registration, vin, make, model }) {
  return h(
    "a",
    { class: "bench-line", href: hashOf("vehicle", vin) },
    h("b", { class: "vehicle-registration" }, registration || "–"),
    h("span", null, vin.slice(0, -6), h("b", null, vin.slice(-6))),
    h("span", null, `${make} ${model}`),
  );
}

/**
 * What the VIN typed so far lacks, where it looks like one.
 * @param {string} vin
 */
export function helpWords(vin) {
  const help = vinHelp(vin);
  if (vin.length < 9 && help.state !== "right") return null;
  switch (help.state) {
    case "unfinished":
      return ngettext("%(count)s character more makes a VIN.", "%(count)s characters more make a VIN.", help.left);
    case "too_long":
      return ngettext("%(count)s character too many for a VIN.", "%(count)s characters too many for a VIN.", help.over);
    case "character":
      return gettext("Character %(place)s is %(character)s, which no VIN has. I, O and Q are probably 1, 0 and 9.", help);
    case "check_digit":
      return gettext("Position 9 is %(found)s, but the other characters need %(expected)s. Compare with the plate.", help);
    case "unchecked":
      return gettext("Complete. Its position 9 is no check digit, which is usual outside North America.");
    default:
      return gettext("Complete; the check digit is right.");
  }
}

/**
 * @param {Context} context
 * @param {import("../app.js").App} app
 * @returns {Screen}
 */
export function renderVehicle(context, app) {
  const vin = normalised(context.route.rest[0] ?? "");
  const content = h("div", { class: "stack" }, h("p", { class: "soft" }, gettext("Reading the vehicle …")));
  const next = h("span", { class: "bench-later" });
  const read = async () => {
    const vehicle = await context.reads.vehicle(vin);
    fill(content, vehicle ? about(vehicle) : unknown(vin, app.online));
    fill(next, vehicle ? [checkLink(vehicle), await wayOn(vehicle, app)] : null);
    if (vehicle) content.append(...flat(earlierJobs((await context.reads.jobsOf(vin)) ?? [])));
  };
  void read();
  return { heading: gettext("Vehicle"), content, actions: [next], update: () => {} };
}

/**
 * @param {Vehicle} vehicle
 * @param {import("../app.js").App} app
 */
async function wayOn(vehicle, app) {
  const job = await app.reads.openJob(vehicle.vin);
  const go = (/** @type {string} */ hash) => () => app.navigate(hash);
  return job
    ? button(gettext("Go on with the open job"), go(hashOf("job", job.id)), { kind: "main" })
    : button(gettext("Open a job"), go(hashOf("open", vehicle.vin)), { kind: "main" });
}

/** @param {Vehicle} vehicle */
function checkLink({ vin }) {
  return h("a", { class: "button", href: hashOf("check", vin) }, gettext("Height check"));
}

/** @param {Vehicle} vehicle */
function about(vehicle) {
  return [
    facts([
      [gettext("Registration"), vehicle.registration || "–"],
      [gettext("VIN"), vehicle.vin],
      [gettext("Model"), `${vehicle.make} ${vehicle.model}`],
      [gettext("Model year"), vehicle.model_year ? String(vehicle.model_year) : "–"],
    ]),
    ...vehicle.findings.map((/** @type {{severity: 'note', detail: string}} */ each) => notice(each.severity, each.detail)),
  ];
}

/** Those that are closed: what was done, and the way back to before. @param {import("../context.js").JobSummary[]} jobs */
function earlierJobs(jobs) {
  const closed = jobs.filter(({ closed_at }) => closed_at !== null);
  if (!closed.length) return null;
  const rows = closed.map(({ id, number, reason, state, closed_at }) => h(
    "li",
    null,
    h(
      "a",
      { class: "bench-line", href: hashOf("job", id) },
      h("b", null, String(number)),
      h("span", null, dayAndTime(closed_at ?? "")),
      h("span", null, reasonWords(reason)),
      h("span", { class: "state state-closed" }, stateWords(state)),
    ),
  ));
  return [h("h2", { class: "section-head" }, gettext("Earlier jobs")), h("ul", { class: "bench-list" }, rows)];
}

/**
 * @param {string} vin
 * @param {boolean} online
 */
function unknown(vin, online) {
  const heading = online ? gettext("No vehicle has this VIN here") : gettext("This vehicle is not on the tablet");
  const todo = online
    ? gettext("Compare it with the plate. A new vehicle is added on the vehicles' page.")
    : gettext("Without connection only today's vehicles are there.");
  return [notice("review", heading, h("p", null, todo)), h("p", null, vin), finderLink()];
}

function finderLink() {
  return h("a", { class: "button", href: hashOf("today") }, gettext("Find another vehicle"));
}
