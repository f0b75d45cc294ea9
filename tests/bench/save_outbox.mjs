/** Writes the file of an outbox with one picture to standard output: `node save_outbox.mjs PUBLIC_KEY_IN_HEX` */

import { outboxFiles } from "../../calibration/static/bench/offline/export.js";
import { bench } from "./fakes/scripted.mjs";

const { outbox, note } = bench();
await note("Höhe", { file: { name: "tape.jpg", type: "image/jpeg", bytes: Uint8Array.of(255, 216, 0).buffer } });
const about = { workshop: "0199-w", tablet: "Bay 2", saved_at: "2026-11-25T12:00:00Z" };
const recipient = Uint8Array.from(Buffer.from(process.argv[2], "hex"));
const [file] = await outboxFiles(outbox.store, recipient, about);
process.stdout.write(Buffer.from(file).toString("hex"));
