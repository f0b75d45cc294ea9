/** A picture as it is kept: small enough for a poor wireless, upright, without what the camera wrote beside it. */

export const LONGEST_PX = 2048;
export const MOST_BYTES = 10_000_000;
const QUALITY = 0.85;
/** What the service reads. */
const READABLE = ["image/jpeg", "image/png", "image/webp"];

/**
 * The picture, shrunk where the browser can, else as it came.
 * @param {File} file
 * @returns {Promise<{file: File} | {refused: 'too_large' | 'unreadable'}>}
 */
export async function pictureToKeep(file) {
  const kept = (await shrunk(file).catch(() => null)) ?? file;
  if (!READABLE.includes(kept.type)) return { refused: "unreadable" };
  return kept.size > MOST_BYTES ? { refused: "too_large" } : { file: kept };
}

/**
 * Drawn anew, which turns it upright and leaves place, time and device behind.
 * @param {File} file
 * @returns {Promise<File | null>} null where the browser does not write JPEG
 */
async function shrunk(file) {
  const picture = await createImageBitmap(file);
  const blob = await asJpeg(drawn(picture));
  picture.close();
  return blob?.type === "image/jpeg" ? new File([blob], jpegName(file.name), { type: blob.type }) : null;
}

/** @param {ImageBitmap} picture */
function drawn(picture) {
  const scale = Math.min(1, LONGEST_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", { alpha: false }));
  pen.fillStyle = "white"; // JPEG knows nothing transparent.
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  return canvas;
}

/** @param {HTMLCanvasElement} canvas @returns {Promise<Blob | null>} */
function asJpeg(canvas) {
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
}

/** @param {string} name */
function jpegName(name) {
  return `${name.replace(/\.[^.]*$/, "")}.jpg`;
}
