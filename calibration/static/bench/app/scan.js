/** A vehicle's label before the camera, where the browser can read codes. */

import { fill, h } from "./dom.js";
import { button, notice } from "./parts.js";
import { gettext } from "./texts.js";
import { vinIn } from "./vin.js";

/**
 * @typedef {{detect: (source: HTMLVideoElement) => Promise<{rawValue: string}[]>}} Detector
 * @typedef {{BarcodeDetector?: new (options: {formats: string[]}) => Detector}} WithDetector
 */

const FORMATS = ["qr_code", "code_39", "code_128", "data_matrix"];
const LOOK_EVERY_MS = 200;

export function canScan() {
  return "BarcodeDetector" in globalThis && Boolean(navigator.mediaDevices?.getUserMedia);
}

/**
 * A button that opens the camera, and closes it once a VIN was read.
 * @param {(vin: string) => void} found
 */
export function scanner(found) {
  const view = h("div", { class: "stack" });
  return h("div", { class: "stack" }, button(gettext("Scan the label"), () => void scan(view, found)), view);
}

/**
 * @param {HTMLElement} view
 * @param {(vin: string) => void} found
 */
async function scan(view, found) {
  const Detector = /** @type {WithDetector} */ (globalThis).BarcodeDetector;
  if (!Detector) return;
  try {
    const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    const video = h("video", { class: "bench-camera", autoplay: true, playsinline: true, muted: true });
    video.srcObject = stream;
    const close = () => {
      for (const track of stream.getTracks()) track.stop();
      fill(view);
    };
    fill(view, video, button(gettext("Close the camera"), close));
    const vin = await readVin(new Detector({ formats: FORMATS }), video);
    close();
    if (vin) found(vin);
  } catch {
    fill(view, notice("review", gettext("The camera cannot be used. Type the VIN.")));
  }
}

/**
 * The first VIN before the camera; null once the picture is gone from the page.
 * @param {Detector} detector
 * @param {HTMLVideoElement} video
 * @returns {Promise<string | null>}
 */
async function readVin(detector, video) {
  while (video.isConnected) {
    const codes = await detector.detect(video).catch(() => []); // No frame yet.
    const vin = codes.map(({ rawValue }) => vinIn(rawValue)).find(Boolean);
    if (vin) return vin;
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
  }
  return null;
}
