/** The bench app's pure modules: lengths typed and shown, VINs, addresses, times, words. */

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { hashOf, routeOf } from "../../calibration/static/bench/app/router.js";
import { kindOf } from "../../calibration/static/bench/app/sending.js";
import { readIn } from "../../calibration/static/bench/app/sentences.js";
import { gettext, ngettext } from "../../calibration/static/bench/app/texts.js";
import { dayAndTime, withOffset } from "../../calibration/static/bench/app/time.js";
import { grouped, kilometres, unitsOf } from "../../calibration/static/bench/app/units.js";
import { normalised, vinHelp, vinIn } from "../../calibration/static/bench/app/vin.js";

const vins = JSON.parse(readFileSync(new URL("../reference/vin.json", import.meta.url), "utf8"));
const mm = unitsOf("mm", "en");
const inch = unitsOf("inch", "en");

test("millimetres are typed with point or comma, and nothing else is a number", () => {
  const typed = { "486": 486, " 486.5 ": 486.5, "486,25": 486.25, "0": 0, "486.125": 486.13 };
  for (const [text, height] of Object.entries(typed)) assert.equal(mm.parse(text), height, text);
  for (const text of ["", "-3", "4e2", "486.", ".5", "486,2,5", "486 mm", "1 1/2", "123456", "４８６"]) {
    assert.equal(mm.parse(text), null, text);
  }
});

test("inches are typed as decimals or as fractions, and an inch is 25.4 mm exactly", () => {
  const typed = { "1": 25.4, "19.13": 485.9, "19,13": 485.9, "19 1/8": 485.78, "19-1/8": 485.78, "3/16": 4.76, "19 3/16": 487.36 };
  for (const [text, height] of Object.entries(typed)) assert.equal(inch.parse(text), height, text);
  for (const text of ["19 3/3", "19 3/5", "19 17/16", "1/0", "19 1"]) assert.equal(inch.parse(text), null, text);
});

test("every sixteenth of an inch comes back as the hundredth of a millimetre nearest to it", () => {
  for (let sixteenths = 1; sixteenths < 40 * 16; sixteenths += 1) {
    const [whole, rest] = [Math.floor(sixteenths / 16), sixteenths % 16];
    const text = rest ? `${whole} ${rest}/16` : String(whole);
    assert.ok(Math.abs(inch.parse(text) - (sixteenths * 25.4) / 16) <= 0.005 + 1e-9, text);
  }
});

test("thousands are parted alike in every language, by a space that ends no line", () => {
  assert.equal(grouped(84210, "en"), "84\u202f210");
  assert.equal(grouped(84210, "de"), "84\u202f210");
  assert.equal(grouped(1234567.5, "de"), "1\u202f234\u202f567,5");
  assert.equal(grouped(950, "en"), "950");
});

test("kilometres are read as they are shown, and as people type them", () => {
  const typed = { "84210": 84210, " 84210,5 ": 84210.5, "84 210": 84210, "0": 0 };
  for (const [text, km] of Object.entries(typed)) assert.equal(kilometres(text), km, text);
  for (const language of ["en", "de"]) assert.equal(kilometres(grouped(1234567.5, language)), 1234567.5);
  for (const text of ["", "-1", "84.210", "84,210", "12345678", "1e3", "84210 km"]) assert.equal(kilometres(text), null, text);
});

test("what is shown of a height, its target and its deviation agrees", () => {
  for (const [height, deviation] of [[484.75, -0.25], [484.85, 484.85 - 485], [485.25, 0.25], [484.8, 484.8 - 485]]) {
    const apart = Number(mm.show(height)) - Number(mm.show(485));
    assert.equal(Number(mm.show(deviation, { signed: true }).replace("−", "-")).toFixed(1), apart.toFixed(1), String(height));
  }
});

test("half of the last place goes up, and zero carries no sign", () => {
  assert.deepEqual([mm.show(486.04), mm.show(-2.25, { signed: true }), mm.show(2.25, { signed: true })], ["486.0", "−2.2", "+2.3"]);
  assert.deepEqual([mm.show(-0.04, { signed: true }), mm.show(1.005, { decimals: 2 }), inch.show(25.4)], ["0.0", "1.01", "1.00"]);
  assert.deepEqual([unitsOf("mm", "de").show(1234.5), mm.show("486.2")], ["1234,5", "486.2"]);
  assert.deepEqual([mm.sign, inch.sign], ["mm", "in"]);
});

test("the service's sentences are read in inches by whoever reads inches, and people's words stay", () => {
  const job = {
    findings: [{ code: "large_warp", detail: "twisted by −11.2 ± 2.7 mm, more than 3 mm. Drive 12 km.", values: { warp_mm: -11.2 } }],
    changes: { FL: { reason_code: "entered", reason: "moves -5.1 mm, from 2,54 to −0.4 mm from its target; set-point 120" } },
    cautions: [{ code: "raised", text: "Keep 500 mm away." }],
    next_step_detail: { detail: "Outside tolerance: FL.", reason: "outside", corners: ["FL"] },
    pauses: [{ reason: "lunch, 30 mm rain" }],
    state: null,
  };
  assert.deepEqual(readIn(job, inch), {
    ...job,
    findings: [{ ...job.findings[0], detail: "twisted by −0.44 ± 0.11 in, more than 0.12 in. Drive 12 km." }],
    changes: { FL: { ...job.changes.FL, reason: "moves −0.20 in, from 0.10 to −0.02 in from its target; set-point 120" } },
    cautions: [{ code: "raised", text: "Keep 19.69 in away." }],
  });
  assert.equal(readIn(job, mm), job);
  assert.equal(readIn(null, inch), null);
});

test("published VINs have the right check digit (49 CFR 565.15; sources in the table)", () => {
  for (const { vin } of vins.valid) assert.equal(vinHelp(vin).state, "right", vin);
});

test("published wrong VINs are found wrong", () => {
  const [digit, elsewhere, letters] = vins.invalid;
  assert.deepEqual(vinHelp(digit.vin), { state: "check_digit", found: digit.found, expected: digit.expected_check });
  assert.equal(vinHelp(elsewhere.vin).state, "unchecked");
  assert.deepEqual(vinHelp(letters.vin), { state: "character", place: 1, character: "I" });
});

test("a VIN is helped along while it is typed", () => {
  assert.deepEqual(vinHelp(normalised(" 1m8gdm9ax kp04278")), { state: "unfinished", left: 1 });
  assert.deepEqual(vinHelp(normalised("1M8GDM9AX-KP042788-1")), { state: "too_long", over: 1 });
});

test("a label gives its VIN, whether it holds the VIN or an address of the bench", () => {
  const vin = "1M8GDM9AXKP042788";
  for (const scanned of [vin, ` ${vin.toLowerCase()}\n`, `https://bench.example/bench/#/vehicle/${vin}`, `VIN:${vin}`]) {
    assert.equal(vinIn(scanned), vin, scanned);
  }
  for (const scanned of ["", "12345", `X${vin}`, `${vin}/more`, "https://bench.example/"]) assert.equal(vinIn(scanned), null, scanned);
});

test("an address leads to its screen and back", () => {
  assert.deepEqual(routeOf(""), { name: "today", rest: [] });
  assert.deepEqual(routeOf("#/job/17/inspect"), { name: "job", rest: ["17", "inspect"] });
  assert.deepEqual(routeOf(hashOf("vehicle", "a/b c%")), { name: "vehicle", rest: ["a/b c%"] });
  assert.deepEqual(routeOf("#/vehicle/%zz"), { name: "vehicle", rest: ["%zz"] });
});

test("a time carries the tablet's offset and is the same instant", () => {
  const at = new Date("2026-11-25T21:04:05.678Z");
  const text = withOffset(at);
  assert.match(text, /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}[+-]\d\d:\d\d$/);
  assert.equal(new Date(text).getTime(), at.getTime());
});

test("a day and a time are told as on the pages and on paper", () => {
  const page = { documentElement: { lang: "en" } };
  globalThis.document = /** @type {any} */ (page);
  const at = [new Date(2026, 8, 6, 8, 12), new Date(2026, 11, 31, 0, 5)];
  assert.deepEqual(at.map(dayAndTime), ["6 Sep 2026, 08:12", "31 Dec 2026, 00:05"]);
  page.documentElement.lang = "de";
  assert.deepEqual(at.map(dayAndTime), ["06.09.2026, 08:12", "31.12.2026, 00:05"]);
  Reflect.deleteProperty(globalThis, "document");
});

test("a record's kind follows from its address", () => {
  const kinds = ["/api/v1/jobs/", "/api/v1/jobs/7/rounds/", "/api/v1/rounds/7/readings/", "/api/v1/readings/7/strike/"].map(kindOf);
  assert.deepEqual(kinds, ["job", "round", "readings", "strike"]);
  assert.equal(kindOf("/api/v1/elsewhere/"), "other");
});

test("texts are filled in, and a number chooses their form", () => {
  assert.equal(gettext("PIN of %(name)s", { name: "%(name)s" }), "PIN of %(name)s");
  assert.deepEqual([1, 2].map((count) => ngettext("%(count)s digit", "%(count)s digits", count)), ["1 digit", "2 digits"]);
  globalThis.django = { gettext: (text) => text.toUpperCase(), ngettext: (_one, many) => many };
  assert.equal(gettext("%(at)s is late", { at: "10:42" }), "%(AT)S IS LATE");
  delete globalThis.django;
});
