/**
 * Signed heads of the workshop's records, kept on this tablet: nobody who runs the service can rewrite them here. They
 * are offered to the service again and again; with what it has not rewritten they go.
 */

import { gettext } from "./texts.js";

const EVERY_MS = 600_000;
const MOST = 8;
const PATH = "/api/v1/tablet/heads/";

/** @typedef {{note: string, outcome: string}} Held `outcome`: of the last comparison */

export class Heads {
  /**
   * @param {object} parts
   * @param {Pick<import("./cupboard.js").Cupboard, "get" | "set">} parts.cupboard
   * @param {Pick<import("./service.js").Service, "send">} parts.service
   * @param {string} parts.workshop
   */
  constructor({ cupboard, service, workshop }) {
    this.cupboard = cupboard;
    this.service = service;
    this.key = `heads:${workshop}`;
  }

  /** @returns {Promise<Held[]>} oldest first */
  async held() {
    return (await this.cupboard.get(this.key)) ?? [];
  }

  /**
   * Offer what is held, and keep the newest beside it. What the records do not go with is never let go; a head with
   * which they do is covered by each later one.
   * @param {string | null} token of the tablet
   * @returns {Promise<number>} how many more heads the records do not go with than before
   */
  async exchange(token) {
    const held = await this.held();
    const { body } = await this.service.send("POST", PATH, token, { heads: held.map(({ note }) => note) });
    if (!Array.isArray(body?.outcomes) || body.outcomes.length !== held.length) return 0; // It says nothing of them.
    const compared = held.map(({ note }, place) => ({ note, outcome: String(body.outcomes[place]) }));
    const known = held.filter(isBad).length;
    await this.cupboard.set(this.key, kept(compared, body.checkpoint?.note ?? null));
    return compared.filter(isBad).length - known;
  }
}

/**
 * @param {Held[]} compared
 * @param {string | null} newest
 * @returns {Held[]}
 */
function kept(compared, newest) {
  const bad = compared.filter(isBad).slice(0, MOST - 1);
  if (newest === null) return [...bad, ...compared.filter((each) => !isBad(each)).slice(-1)];
  return [...bad, ...(bad.some(({ note }) => note === newest) ? [] : [{ note: newest, outcome: "consistent" }])];
}

/** @param {Held} head */
function isBad({ outcome }) {
  return outcome !== "consistent";
}

/**
 * Exchange heads now, and as long as the app is open.
 * @param {import("./app.js").App} app
 */
export function keepHeads(app) {
  const workshop = app.session.enrolled?.workshop.id;
  if (!workshop) return;
  const heads = new Heads({ cupboard: app.cupboard, service: app.service, workshop });
  const exchange = async () => {
    if (app.session.enrolled?.workshop.id !== workshop) return clearInterval(timer);
    if (!app.online) return;
    const found = await heads.exchange(app.session.enrolled.token).catch(() => 0);
    if (found > 0) app.frame.say(told(), "stop");
  };
  const timer = setInterval(exchange, EVERY_MS);
  void exchange();
}

function told() {
  return gettext("The service’s records are not what they were when this tablet was told of them. Tell a manager: it stands on their page “Today”.");
}
