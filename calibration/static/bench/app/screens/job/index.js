/**
 * The screens of a job, one thing each. `#/job/ID` shows what is to be done now; `#/job/ID/NAME` one thing of it.
 */

import * as approval from "./approval.js";
import * as awaited from "./awaited.js";
import * as byHand from "./by_hand.js";
import * as concession from "./concession.js";
import * as corners from "./corners.js";
import { stepNow } from "./course.js";
import * as decide from "./decide.js";
import * as done from "./done.js";
import * as event from "./event.js";
import * as findings from "./findings.js";
import * as interruptions from "./interruptions.js";
import * as leakResult from "./leak_result.js";
import * as leakTest from "./leak_test.js";
import * as measure from "./measure.js";
import * as other from "./other.js";
import * as paper from "./paper.js";
import * as photo from "./photo.js";
import * as proposal from "./proposal.js";
import * as readBack from "./read_back.js";
import * as readAgain from "./read_again.js";
import * as readiness from "./readiness.js";
import * as refile from "./refile.js";
import * as result from "./result.js";
import * as review from "./review.js";
import * as setpoints from "./setpoints.js";
import * as settle from "./settle.js";
import * as signOff from "./sign_off.js";
import * as strike from "./strike.js";
import * as tyres from "./tyres.js";
import * as write from "./write.js";
import * as written from "./written.js";

export { renderHeightCheck } from "../height_check.js";

/** @typedef {import("../../context.js").Context} Context */
/** @typedef {import("../../context.js").Job} Job */
/** @typedef {import("../../context.js").Screen} Screen */
/** @typedef {Context & {job: Job}} JobContext */
/** @typedef {(context: JobContext) => Screen} RenderJob */

/** What `#/job/ID` shows, by step. @type {Record<import("./course.js").Step, RenderJob>} */
const STEPS = {
  check_readiness: readiness.render,
  measure: measure.render,
  read_again: readAgain.render,
  propose: result.render,
  get_approval: approval.render,
  write: proposal.render,
  settle_and_measure: settle.render,
  inspect: findings.render,
  sign_off: signOff.render,
  paused: interruptions.renderPaused,
  done: done.render,
  awaited: awaited.render,
};

/** @type {Record<string, RenderJob>} */
const SCREENS = {
  readiness: readiness.render,
  measure: measure.render,
  paper: paper.render,
  corners: corners.render,
  setpoints: setpoints.render,
  review: review.render,
  result: result.render,
  proposal: proposal.render,
  "by-hand": byHand.render,
  write: write.render,
  "read-back": readBack.render,
  findings: findings.render,
  event: event.render,
  tyres: tyres.render,
  "leak-test": leakTest.render,
  "leak-result": leakResult.render,
  concession: concession.render,
  decide: decide.render,
  written: written.render,
  refile: refile.render,
  photo: photo.render,
  strike: strike.render,
  pause: interruptions.renderPause,
  end: interruptions.renderEnd,
  "go-back": interruptions.renderGoBack,
  other: other.render,
};

/** @type {import("../../context.js").Render} */
export function render(context) {
  const known = /** @type {JobContext} */ (context); // The shell shows a job that was never read.
  const name = context.route.rest[1] ?? "";
  return Object.hasOwn(SCREENS, name) ? SCREENS[name](known) : stepScreen(known);
}

/** The step's screen; it gives way when the step does. @param {JobContext} context @returns {Screen} */
function stepScreen(context) {
  const shown = shownStep(context);
  const screen = shown.render(context);
  const { update } = screen;
  if (!update) return screen;
  return {
    ...screen,
    update(next) {
      if (!next.job || shownStep(/** @type {JobContext} */ (next)).key !== shown.key) return "again";
      return update(next);
    },
  };
}

/** A verdict is looked at before anything follows from it. @param {JobContext} context */
function shownStep(context) {
  const step = stepNow(context.job, context.waiting);
  if (step === context.job.next_step && result.isNews(context)) return { key: "result", render: result.render };
  return { key: step, render: STEPS[step] };
}
