/** Everything that may be done in a job besides its next step. */

import { h } from "../../dom.js";
import { facts } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { reasonWords, stateWords } from "../../words.js";
import { goingOn } from "./leak_test.js";
import { link, section } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job } = context;
  const at = (/** @type {string} */ name) => hashOf("job", job.id, name);
  return {
    heading: gettext("Other steps"),
    content: [
      goingOn(context),
      facts([
        [gettext("Job"), gettext("%(number)s, %(state)s", { number: job.number, state: stateWords(job.state) })],
        [gettext("Opened"), dayAndTime(job.opened_at)],
        [gettext("Why it came"), reasonWords(job.reason)],
      ]),
      ways()
        .filter(({ closedToo }) => closedToo || job.closed_at === null)
        .map(({ heading, to }) =>
          section(heading, h("ul", { class: "ways" }, to.map(([name, words]) => h("li", null, link(words, at(name)))))),
        ),
    ],
    actions: [link(gettext("Back to the job"), hashOf("job", job.id), true)],
  };
}

/** @returns {{heading: string, closedToo?: boolean, to: [string, string][]}[]} */
function ways() {
  return [
    {
      heading: gettext("Look"),
      closedToo: true,
      to: [
        ["photo", gettext("Take a photo")],
        ["result", gettext("See where it stands")],
        ["leak-result", gettext("See the leak test")],
        ["findings", gettext("See what was found")],
      ],
    },
    {
      heading: gettext("Check and measure"),
      to: [
        ["readiness", gettext("Check readiness again")],
        ["measure", gettext("Measure another round")],
        ["paper", gettext("Copy a round from paper")],
        ["leak-test", gettext("Test for leaks")],
      ],
    },
    {
      heading: gettext("What was done to the vehicle"),
      to: [
        ["event", gettext("Record what was mended")],
        ["tyres", gettext("Record the tyres fitted")],
        ["written", gettext("Set-points were written otherwise")],
      ],
    },
    {
      heading: gettext("Set it otherwise"),
      to: [
        ["by-hand", gettext("Enter set-points by hand")],
        ["concession", gettext("Ask for other targets")],
        ["go-back", gettext("Go back to the set-points as found")],
      ],
    },
    {
      heading: gettext("Stop"),
      to: [
        ["pause", gettext("Pause the job")],
        ["end", gettext("End the job without sign-off")],
        ["refile", gettext("It is the wrong vehicle")],
      ],
    },
  ];
}
