/** What the job's screens go by: which corner comes next, what is doubtful, and what is to be done without the service. */

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { readinessNow, setpointsNow, stepNow, writeOfProposal } from "../../calibration/static/bench/app/screens/job/course.js";
import {
  begun,
  disagreementMm,
  isComplete,
  isDoubtful,
  likelyUnit,
  measurersOf,
  nextCorner,
  oneMore,
  readingsAt,
  taken,
  takenBack,
} from "../../calibration/static/bench/app/screens/job/round.js";

const LIMITS = { target_mm: 486, gross_limit_mm: 150, repeat_limits_mm: { 2: 2.4, 3: 3 } };
const AT = "2026-05-04T09:30:00.000+02:00";
const SHE = { id: "she", name: "Sunniva Pell" };
const HOW = { instrument: { id: "tape", serial: "T-1", length_mm: 3000 }, reader: null };

/** @param {string[]} heights typed one after the other, wherever the draft stands */
function read(draft, ...heights) {
  return heights.reduce((before, height) => taken(before, height, LIMITS, AT, SHE), draft);
}

describe("a round", () => {
  test("goes round the vehicle, twice at each corner", () => {
    const corners = [];
    let draft = begun({ ...HOW, order: "corner" });
    while (!isComplete(draft)) {
      corners.push(draft.corner);
      draft = read(draft, "490");
    }
    assert.deepEqual(corners, ["FL", "FL", "FR", "FR", "RR", "RR", "RL", "RL"]);
  });

  test("copied from paper keeps the time of the sheet and asks for no third reading, which nobody can take now", () => {
    const paper = "2026-05-04T08:10:00.000+02:00";
    const draft = read(begun({ ...HOW, order: "corner", paper }), 490, 496);
    assert.equal(draft.read_at, paper);
    assert.deepEqual([draft.corner, draft.wanted.FL], ["FR", 2]);
    assert.equal(disagreementMm(draft, "FL", LIMITS.repeat_limits_mm), 6);
    assert.equal(read(begun({ ...HOW, order: "corner" }), 490, 492.5).wanted.FL, 3);
  });

  test("or once round it, then once more", () => {
    const corners = [];
    let draft = begun({ ...HOW, order: "walk" });
    while (!isComplete(draft)) {
      corners.push(draft.corner);
      draft = read(draft, "490");
    }
    assert.deepEqual(corners, ["FL", "FR", "RR", "RL", "FL", "FR", "RR", "RL"]);
  });

  test("goes on from the corner that somebody chose", () => {
    const draft = read({ ...begun({ ...HOW, order: "corner" }), corner: "RL" }, "490", "490");
    assert.equal(draft.corner, "FL");
  });

  test("asks for a third reading only beyond the repeat limit", () => {
    const agreeing = read(begun({ ...HOW, order: "corner" }), "490", "492.4");
    assert.equal(disagreementMm(agreeing, "FL", LIMITS.repeat_limits_mm), null);
    assert.equal(agreeing.corner, "FR");
    const disagreeing = read(begun({ ...HOW, order: "corner" }), "490", "492.41");
    assert.equal(disagreementMm(disagreeing, "FL", LIMITS.repeat_limits_mm), 2.41);
    assert.equal(disagreeing.corner, "FL");
    assert.equal(read(disagreeing, "491").corner, "FR");
  });

  test("asks for a fourth at once where three spread too far, and for none after it", () => {
    const three = read(begun({ ...HOW, order: "corner" }), "490", "492.5", "494");
    assert.deepEqual([three.corner, three.wanted.FL, disagreementMm(three, "FL", LIMITS.repeat_limits_mm)], ["FL", 4, 4]);
    const four = read(three, "499");
    assert.deepEqual([four.corner, four.wanted.FL, disagreementMm(four, "FL", LIMITS.repeat_limits_mm)], ["FR", 4, null]);
    assert.equal(takenBack({ ...three, corner: "FL" }, LIMITS.repeat_limits_mm).wanted.FL, 3);
  });

  test("asks for two more where no third reading could bring the two near enough", () => {
    assert.equal(read(begun({ ...HOW, order: "corner" }), "490", "493").wanted.FL, 3);
    assert.equal(read(begun({ ...HOW, order: "corner" }), "490", "493.1").wanted.FL, 4);
  });

  test("asks for no third one among further readings of a round", () => {
    const draft = read(begun({ ...HOW, order: "corner" }, { round: "one", wanted: { RL: 2 } }), "490", "499");
    assert.ok(isComplete(draft));
  });

  test("takes a height beyond the gross limit only when it comes twice", () => {
    const doubtful = read(begun({ ...HOW, order: "corner" }), "336");
    assert.equal(doubtful.readings.length, 1);
    const far = read(begun({ ...HOW, order: "corner" }), "335.9");
    assert.deepEqual([far.readings.length, far.doubt], [0, { corner: "FL", height_mm: "335.9" }]);
    assert.equal(isComplete(far), false);
    assert.deepEqual(read(far, "335.9").readings, [{ corner: "FL", height_mm: "335.9", measured_by: "she", confirmed: true }]);
    assert.deepEqual(read(far, "486").readings, [{ corner: "FL", height_mm: "486", measured_by: "she" }]);
    assert.deepEqual(read(far, "335.8").doubt, { corner: "FL", height_mm: "335.8" });
  });

  test("doubts nothing where there is no target", () => {
    assert.equal(isDoubtful(begun({ ...HOW, order: "corner" }), "20", { ...LIMITS, target_mm: null }), false);
  });

  test("takes the last reading back, and with it the third that it asked for", () => {
    const disagreeing = read(begun({ ...HOW, order: "corner" }), "490", "496");
    const back = takenBack(disagreeing, LIMITS.repeat_limits_mm);
    assert.deepEqual([readingsAt(back, "FL").length, back.wanted.FL], [1, 2]);
    assert.equal([1, 2, 3].reduce((each) => takenBack(each, LIMITS.repeat_limits_mm), back).readings.length, 0);
  });

  test("takes one more where somebody wants it", () => {
    let draft = begun({ ...HOW, order: "corner" });
    while (!isComplete(draft)) draft = read(draft, "490");
    draft = oneMore(draft, "RR");
    assert.deepEqual([draft.corner, isComplete(draft), nextCorner(draft)], ["RR", false, "RR"]);
    assert.ok(isComplete(read(draft, "491")));
  });

  test("names who reads the tape", () => {
    const caller = { id: "caller", name: "Odd Vik" };
    const draft = read(begun({ ...HOW, reader: caller, order: "corner" }), "490");
    assert.equal(draft.readings[0].measured_by, "caller");
    assert.deepEqual(measurersOf(draft), [{ ...caller, read_at: AT, count: 1 }]);
  });

  test("leaves each reading to whoever took it, whoever goes on", () => {
    const [hers, later] = [read(begun({ ...HOW, order: "corner" }), "490", "490"), "2026-05-04T10:00:00.000+02:00"];
    const draft = taken(hers, "491", LIMITS, later, { id: "he", name: "Odd Vik" });
    assert.deepEqual(draft.readings.map(({ measured_by }) => measured_by), ["she", "she", "he"]);
    assert.deepEqual(measurersOf(draft), [
      { ...SHE, read_at: AT, count: 2 },
      { id: "he", name: "Odd Vik", read_at: later, count: 1 },
    ]);
    const back = takenBack(draft, LIMITS.repeat_limits_mm);
    assert.deepEqual(measurersOf(back).map(({ id }) => id), ["she"]);
  });
});

describe("the unit that was meant", () => {
  test("is guessed where it fits the target", () => {
    assert.equal(likelyUnit(19.2, "mm", LIMITS), "inch");
    assert.equal(likelyUnit(48.7, "mm", LIMITS), "centimetre");
    assert.equal(likelyUnit(300, "mm", LIMITS), null);
    assert.equal(likelyUnit(487, "inch", LIMITS), "millimetre");
    assert.equal(likelyUnit(3, "inch", LIMITS), null);
  });
});

const PASSED = Object.fromEntries(["floor", "secured"].map((item) => [item, "pass"]));
const OPEN = Object.fromEntries(["floor", "secured"].map((item) => [item, "not_done"]));
const JOB = {
  id: "job",
  next_step: "check_readiness",
  next_step_detail: { reason: "readiness_missing" },
  readiness: { merged: OPEN },
  rounds: [],
  proposal: null,
  setpoints: { FL: 100 },
};

/** @param {string} kind @param {object} fields @param {string} [state] */
function record(kind, fields, state = "waiting", path = `/api/v1/jobs/job/${kind}/`) {
  return { id: kind, kind, fields, state, path };
}

const ALL_PASS = record("readiness", { checks: { floor: { outcome: "pass" }, secured: { outcome: "pass" } } });

describe("without the service", () => {
  test("measuring follows once every item is in order", () => {
    assert.equal(stepNow(JOB, []), "check_readiness");
    assert.equal(stepNow(JOB, [ALL_PASS]), "measure");
    assert.deepEqual(readinessNow(JOB, [ALL_PASS]), PASSED);
  });

  test("an item that failed, or is open, keeps it at readiness", () => {
    for (const outcome of ["fail", "not_done"]) {
      const failed = record("readiness", { checks: { secured: { outcome } } });
      assert.equal(stepNow(JOB, [ALL_PASS, failed]), "check_readiness");
    }
  });

  test("what a record that was refused said does not count", () => {
    assert.equal(stepNow(JOB, [{ ...ALL_PASS, state: "refused" }]), "check_readiness");
  });

  test("what was sent counts until the job is read again", () => {
    assert.equal(stepNow(JOB, [{ ...ALL_PASS, state: "sent" }]), "measure");
  });

  test("records of another job of the vehicle count nothing", () => {
    const other = record("readiness", ALL_PASS.fields, "waiting", "/api/v1/jobs/other/readiness/");
    assert.equal(stepNow(JOB, [other]), "check_readiness");
  });

  test("only the service says what follows a round", () => {
    assert.equal(stepNow(JOB, [ALL_PASS, record("round", { setpoints: { FL: 101 } })]), "awaited");
    assert.deepEqual(setpointsNow(JOB, [ALL_PASS, record("round", { setpoints: { FL: 101 } })]), { FL: 101 });
  });

  test("a write as it was proposed is settled and measured; any other waits for the service", () => {
    const job = { ...JOB, next_step: "write", proposal: { id: "p", outcome: "allowed", to_setpoints: { FL: 110 } } };
    assert.equal(stepNow(job, [record("write", { proposal: "p", read_back: { FL: 110 } })]), "settle_and_measure");
    assert.equal(stepNow(job, [record("write", { proposal: "p", read_back: { FL: 109 } })]), "awaited");
    assert.equal(stepNow(job, [record("write", { read_back: { FL: 110 } })]), "awaited");
  });

  test("a proposal is written once, unless the control unit did not take it", () => {
    const proposal = { id: "p", outcome: "allowed", to_setpoints: { FL: 110 } };
    const job = { ...JOB, next_step: "write", proposal };
    const [taken, other] = [110, 109].map((FL) => ({ proposal: "p", written_at: AT, read_back: { FL } }));
    assert.equal(writeOfProposal(job, []), null);
    assert.equal(writeOfProposal(job, [record("write", taken)]).written_at, AT);
    assert.equal(writeOfProposal(job, [record("write", other)]), null);
    assert.equal(writeOfProposal(job, [record("write", other), record("write", taken)]), taken);
    assert.equal(writeOfProposal(job, [record("write", { ...taken, proposal: "earlier" })]), null);
    assert.equal(writeOfProposal(job, [record("write", taken, "refused")]), null);
  });

  test("readiness that lapsed is followed by measuring, and one checked late by the service", () => {
    const rounds = [{ id: "r" }];
    const lapsed = { ...JOB, rounds, next_step_detail: { reason: "readiness_lapsed_by_event" } };
    assert.equal(stepNow(lapsed, [ALL_PASS]), "measure");
    assert.equal(stepNow({ ...JOB, rounds }, [ALL_PASS]), "awaited");
  });

  test("a photo changes nothing", () => {
    assert.equal(stepNow(JOB, [record("photo", {}, "waiting", "/api/v1/rounds/r/photos/")]), "check_readiness");
  });
});
