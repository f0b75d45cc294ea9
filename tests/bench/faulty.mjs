/** Outboxes with one fault each, which the same schedules and the same verdict must find. */

import { Outbox } from "../../calibration/static/bench/offline/outbox.js";
import { StorageFull } from "../../calibration/static/bench/offline/storage_errors.js";

/** An outbox that sends otherwise. */
class SendingOtherwise extends Outbox {
  constructor(given) {
    const { network } = given;
    super({ ...given, network: { ...network, send: (...sent) => this.sendOtherwise(network, ...sent) } });
  }
}

/** Takes "sent" for "arrived". */
class DeletesBeforeTheReceipt extends SendingOtherwise {
  async sendOtherwise(network, entry, content, epoch) {
    await this.store.change("open", () => ({ remove: [entry], result: null }));
    return network.send(entry, content, epoch);
  }
}

/** Takes any 2xx for a receipt, such as the page of the building's wireless. */
class TrustsAnyAnswer extends SendingOtherwise {
  async sendOtherwise(network, entry, content, epoch) {
    const answer = await network.send(entry, content, epoch);
    return answer.status === 200 ? { ...answer, epoch: answer.epoch ?? epoch } : answer;
  }
}

/** Takes a server that is busy for one that refuses. */
class GivesUpWhenBusy extends SendingOtherwise {
  async sendOtherwise(network, entry, content, epoch) {
    const answer = await network.send(entry, content, epoch);
    return answer.status >= 500 ? { ...answer, status: 422 } : answer;
  }
}

/** Makes a new id for each attempt. */
class SendsUnderNewIds extends SendingOtherwise {
  sendOtherwise(network, entry, { fields, file }, epoch) {
    return network.send(entry, { fields: { ...fields, id: this.newId() }, file }, epoch);
  }
}

/** Does not tell the server which one it is meant for: a newer record overtakes those that a restore lost. */
class StatesNoEpoch extends SendingOtherwise {
  sendOtherwise(network, entry, content) {
    return network.send(entry, content, null);
  }
}

class KeepsNoCopies extends Outbox {
  async settle(entry, answer) {
    const isSettled = await super.settle(entry, answer);
    if (isSettled) await this.store.change("all", ({ sent }) => ({ remove: [...sent], result: null }));
    return isSettled;
  }
}

/** Notes another epoch and offers nothing again. */
class IgnoresTheEpoch extends Outbox {
  async adopt(epoch) {
    return this.store.change("open", ({ meta }) => ({ meta: { ...meta, epoch }, result: meta.epoch !== epoch }));
  }
}

/** Notes the epoch first and what waits again afterwards: power may fail between them. */
class AdoptsInTwoSteps extends Outbox {
  async adopt(epoch) {
    const isNew = await this.store.change("open", ({ meta }) => ({
      meta: { ...meta, epoch },
      result: meta.epoch !== epoch,
    }));
    const waiting = ({ sent }) => ({ put: sent.map((entry) => ({ ...entry, state: "waiting" })), result: isNew });
    return isNew && this.store.change("all", waiting);
  }
}

/** Keeps what two tabs record at once under two ids. */
class KeepsADraftTwice extends Outbox {
  async keep(draft, state) {
    return super.keep({ ...draft, id: null }, state);
  }
}

/** Sends everything at once. */
class ReordersAVehicle extends Outbox {
  async pass(report) {
    const seen = await this.store.read();
    const waiting = seen.records.filter(({ state }) => state === "waiting");
    await Promise.allSettled(waiting.map((entry) => this.offer(entry, seen, report)));
  }
}

/** Tries a refused record for ever. */
class LetsRefusedOnesBlock extends Outbox {
  async refuse() {
    return false;
  }
}

/** Makes room by throwing away what is oldest. */
class LosesOnQuota extends Outbox {
  async keep(draft, state) {
    return super.keep(draft, state).catch(async (error) => {
      if (!(error instanceof StorageFull)) throw error;
      await this.store.change("open", ({ records }) => ({ remove: records.slice(0, 1), result: null }));
      return super.keep(draft, state);
    });
  }
}

/** Says that it is kept when it is not. */
class HidesQuota extends Outbox {
  async keep(draft, state) {
    return super.keep(draft, state).catch((error) => {
      if (error instanceof StorageFull) return `unwritten-${this.newId()}`;
      throw error;
    });
  }
}

/** Signs again, unasked, what the server refused. */
class ReplaysSignatures extends Outbox {
  async concludeSignature(intent, answer, seen) {
    const outcome = await super.concludeSignature(intent, answer, seen);
    if (outcome === "dropped") await this.network.send(intent, await this.store.content(intent.id), seen.meta.epoch);
    return outcome;
  }
}

/** Keeps the PIN beside the intent. */
class StoresThePin extends Outbox {
  async sign(id, secret) {
    const { records } = await this.store.read();
    const intent = records.find((entry) => entry.id === id);
    const content = await this.store.content(id);
    if (!intent || !content) return super.sign(id, secret);
    const withPin = { ...content, fields: { ...content.fields, ...secret } };
    const { seq, ...entry } = intent;
    await this.store.change("open", () => ({ remove: [intent], result: null }));
    await this.store.change("open", () => ({ add: [{ entry, content: withPin }], result: seq }));
    return super.sign(id, secret);
  }
}

/** Has what followed a refused record wait in the tray when that one is sent again. */
class ForgetsFollowers extends Outbox {
  retry(id) {
    return this.store.change("open", ({ records }) => {
      const chosen = records.filter((entry) => entry.id === id && entry.state === "refused");
      return { put: chosen.map((entry) => ({ ...entry, state: "waiting", refusal: null })), result: true };
    });
  }
}

export const FAULTY = [
  DeletesBeforeTheReceipt,
  TrustsAnyAnswer,
  KeepsNoCopies,
  IgnoresTheEpoch,
  AdoptsInTwoSteps,
  KeepsADraftTwice,
  ReordersAVehicle,
  StatesNoEpoch,
  SendsUnderNewIds,
  LetsRefusedOnesBlock,
  LosesOnQuota,
  HidesQuota,
  ReplaysSignatures,
  StoresThePin,
  ForgetsFollowers,
  GivesUpWhenBusy,
];
