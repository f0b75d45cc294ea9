/** What follows from the records that are here: who is next, what counts, what hangs together. Pure. */

/** @typedef {import("./types.js").Entry} Entry */
/** @typedef {Entry & {behind: string | null}} TrayEntry */

const MISSED_SOMETHING = new Set([404, 409]);

/** @param {readonly Entry[]} records */
export function vehiclesWaiting(records) {
  return [...new Set(records.filter((entry) => entry.state === "waiting").map((entry) => entry.vehicle))];
}

/**
 * The record of this vehicle that goes next.
 * @param {readonly Entry[]} records
 * @param {string} vehicle
 */
export function head(records, vehicle) {
  return records.find((entry) => entry.vehicle === vehicle && entry.state === "waiting") ?? null;
}

/**
 * How many records exist only on this tablet, and since when. An intent to sign is no record yet.
 * @param {readonly Entry[]} records
 */
export function countPending(records) {
  const waiting = records.filter((entry) => entry.state === "waiting");
  const refused = records.filter((entry) => entry.state === "refused");
  const noted = [...waiting, ...refused].map((entry) => entry.noted_at);
  return {
    count: noted.length,
    waiting: waiting.length,
    not_accepted: refused.length,
    to_sign: records.filter((entry) => entry.state === "to_sign").length,
    since: noted.length ? Math.min(...noted) : null,
  };
}

/**
 * What was not accepted. `behind` names the earlier record of the vehicle, here too, for want of which this one
 * was probably refused.
 * @param {readonly Entry[]} records
 * @returns {TrayEntry[]}
 */
export function trayOf(records) {
  const tray = records.filter((entry) => entry.state === "refused" || entry.state === "dropped");
  return tray.map((entry) => ({ ...entry, behind: tray.find((earlier) => follows(entry, earlier))?.id ?? null }));
}

/**
 * Whether the vehicle's earlier records that were in the tray when this one was sent are there still.
 * @param {Entry} entry
 * @param {readonly Entry[]} then
 * @param {readonly Entry[]} now
 */
export function stillWants(entry, then, now) {
  const before = then.filter(({ vehicle, seq }) => vehicle === entry.vehicle && seq < entry.seq);
  const refused = new Set(now.filter(({ state }) => state === "refused").map(({ seq }) => seq));
  return before.every(({ state, seq }) => state !== "refused" || refused.has(seq));
}

/**
 * Whether a record was refused for want of something (404, 409) while an earlier one of its vehicle was refused too.
 *
 * It is not held back behind the earlier one, since a tray must hold up nothing and most facts stand for themselves.
 * It goes to the tray, and comes along when a person has the earlier one sent again.
 * @param {Entry} entry
 * @param {Entry} earlier
 */
export function follows(entry, earlier) {
  return (
    earlier.state === "refused" &&
    entry.state === "refused" &&
    entry.vehicle === earlier.vehicle &&
    entry.seq > earlier.seq &&
    MISSED_SOMETHING.has(entry.refusal?.status ?? 0)
  );
}

/**
 * Vehicles whose next record may go, unless its person has to sign in first.
 * @param {readonly Entry[]} records
 * @param {ReadonlySet<string | null>} signed_out
 */
export function vehiclesToSend(records, signed_out) {
  return vehiclesWaiting(records).filter((vehicle) => {
    const next = head(records, vehicle);
    return next && !signed_out.has(next.person);
  });
}
