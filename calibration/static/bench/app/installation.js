/** Whether this tablet can open the app without network, and stays awake. */

const WORKER = "/bench/service-worker.js";
const SCOPE = "/bench/";

/** @typedef {'ready' | 'insecure' | 'unable'} Installation */

/**
 * Install the worker that keeps the app's own files. Browsers do so over HTTPS and on this machine only.
 * @param {() => void} renewed told when a newer app than the one that runs is in place
 * @returns {Promise<Installation>}
 */
export async function installWorker(renewed) {
  if (!globalThis.isSecureContext) return "insecure";
  const workers = navigator.serviceWorker;
  if (!workers) return "unable";
  const wasControlled = workers.controller !== null;
  workers.addEventListener("controllerchange", () => wasControlled && renewed());
  try {
    const registration = await workers.register(WORKER, { scope: SCOPE, updateViaCache: "none" });
    if (!registration.active) await settled(registration.installing ?? registration.waiting);
    return registration.active ? "ready" : "unable";
  } catch {
    return "unable";
  }
}

/** Have what is kept of the app fetched anew where the service has another; rejected where that does not succeed. */
export async function renewWorker() {
  const registration = await navigator.serviceWorker?.getRegistration(SCOPE);
  await registration?.update();
  const worker = registration?.installing ?? registration?.waiting;
  if (worker && (await settled(worker)) === "redundant") throw new Error("The app's files could not be fetched.");
}

/**
 * What became of a worker that is being installed.
 * @param {ServiceWorker | null} worker
 * @returns {Promise<string | undefined>}
 */
function settled(worker) {
  return new Promise((done) => {
    const look = () => {
      if (!worker || ["activated", "redundant"].includes(worker.state)) done(worker?.state);
    };
    worker?.addEventListener("statechange", look);
    look();
  });
}

/** Keep the screen on while the page is seen: nobody wakes a tablet with wet gloves. */
export function stayAwake() {
  const ask = () => {
    // Refused where the battery is low, and then no worse than before.
    if (document.visibilityState === "visible") navigator.wakeLock?.request("screen").catch(() => {});
  };
  document.addEventListener("visibilitychange", ask);
  ask();
}
