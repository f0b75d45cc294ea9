/** What must hold when a schedule has come to rest. It looks at disk and server, and asks the outbox nothing. */

/**
 * @param {import("./world.mjs").World} world
 * @returns {string[]} what is wrong; empty: nothing
 */
export function faultsOf(world) {
  return [...fates(world), ...places(world), ...order(world), ...secrets(world)];
}

function* fates({ device, server, kept, discarded, refusedForRoom, replayed }) {
  const entries = new Map([...device.records.values()].map((entry) => [entry.id, entry]));
  const commits = byMark(server.log);
  for (const id of kept.keys()) if (!device.written.has(id)) yield `lost: ${id} was kept, people were told`;
  for (const [id, { fields }] of device.written) {
    const times = commits.get(fields.mark)?.length ?? 0;
    const state = entries.get(id)?.state;
    if (times > 1) yield `doubled: ${fields.mark} is at the server ${times} times`;
    if (discarded.has(id)) continue;
    if (!times && !state) yield `lost: ${id} is neither at the server nor on the tablet`;
    if (times && state) yield `both: ${id} is at the server and still ${state}`;
    if (times && !hasCopy(device, id)) yield `no copy: ${id} could not be offered again`;
  }
  for (const mark of refusedForRoom) if (commits.has(mark)) yield `denied: ${mark} found no room, yet was sent`;
  for (const id of replayed) yield `replayed: the dropped intent ${id} was sent again`;
}

function hasCopy(device, id) {
  return device.sent.has(device.written.get(id).seq) && device.contents.has(id);
}

function* places({ device, server }) {
  for (const { id, state } of device.records.values()) {
    const fields = device.contents.get(id)?.fields;
    const isSettled = state === "refused" || state === "dropped";
    if (!isSettled) yield `held up: ${id} is still ${state}`;
    if (!fields) yield `lost: ${id} has no content`;
    else if (state === "refused" && !server.refusal(fields)) yield `left behind: ${id} would be accepted`;
    if (isSettled && !server.refused.has(id)) yield `misjudged: ${id} is ${state}, but the server never refused it`;
  }
}

function* order({ device, server }) {
  const latest = new Map();
  for (const { id, vehicle, is_signature } of server.log) {
    if (is_signature || device.sentAgain.has(id)) continue;
    const place = device.written.get(id)?.seq ?? Infinity;
    if (place < (latest.get(vehicle) ?? 0)) yield `reordered: ${id} of ${vehicle} came after a later one`;
    latest.set(vehicle, place);
  }
}

function* secrets({ device }) {
  for (const { fields } of device.contents.values()) if ("pin" in fields) yield `secret: a PIN is with ${fields.id}`;
}

function byMark(log) {
  const groups = new Map();
  for (const entry of log) groups.set(entry.mark, [...(groups.get(entry.mark) ?? []), entry]);
  return groups;
}
