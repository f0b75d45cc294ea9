/** An outbox on a fresh tablet before a server that answers what a test has written down. */

import { Outbox } from "../../../calibration/static/bench/offline/outbox.js";
import { aloneOn, Device, DeviceStore } from "./device.mjs";
import { noAnswer, problem } from "./server.mjs";

export const NOON = Date.UTC(2026, 10, 25, 12);
export const DAY = 86_400_000;

/** @param {object} [members] */
export function receipt(members) {
  return { ...noAnswer(), status: 201, epoch: "first", at: NOON, ...members };
}

export function refusal(status, type = "refused", errors = undefined) {
  return problem(status, type, errors);
}

/**
 * `answers` maps a record's name (its `mark`) to its answers in turn, the last of which stays; else a receipt.
 * @param {Record<string, object[]>} [answers]
 */
export function bench(answers = {}) {
  const device = new Device();
  const clock = { at: NOON, now: () => clock.at, elapsed: () => clock.at };
  const sent = [];
  const server = { epoch: "first" };
  const left = Object.fromEntries(Object.entries(answers).map(([mark, list]) => [mark, [...list]]));
  const answer = ({ mark }) => {
    const list = left[mark] ?? [receipt({ epoch: server.epoch })];
    return list.length > 1 ? list.shift() : list[0];
  };
  const network = {
    send: async (entry, content, epoch) => {
      const { fields } = content;
      sent.push({ mark: fields.mark, id: fields.id, person: entry.person, epoch, fields });
      return answer(fields);
    },
    ask: async () => receipt({ status: 200, epoch: server.epoch }),
  };
  let ids = 0;
  const events = [];
  const open = (tab = { isAlive: true }) =>
    new Outbox({
      store: new DeviceStore(device, tab, () => {}),
      network,
      clock,
      newId: () => `id-${(ids += 1)}`,
      alone: aloneOn(device, tab),
      random: () => 0,
      heard: (event) => events.push(event),
    });
  const outbox = open();
  const note = (mark, members = {}) => {
    return outbox.add({ vehicle: "van", path: "/api/v1/records/", fields: { mark }, ...members });
  };
  const marks = () => sent.map(({ mark }) => mark);
  return { outbox, open, device, clock, server, network, sent, events, note, marks };
}
