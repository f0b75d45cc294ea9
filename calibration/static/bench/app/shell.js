/**
 * What a tablet needs once it is enrolled: the outbox, and the screens around the job. The first screen does without it,
 * and is there sooner.
 */

export { absentOf } from "./absent.js";
export { keepHeads } from "./heads.js";
export { askForPersistence } from "../offline/store.js";
export { workshopKey } from "./outbox_file.js";
export { intentsOf, recordsOf } from "./records.js";
export { hasJobScreens, loadJobScreens, screenFor } from "./screens.js";
export { readIn } from "./sentences.js";
export { Sending } from "./sending.js";
