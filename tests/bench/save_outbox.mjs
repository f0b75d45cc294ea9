/** Writes the file of an outbox with one picture to standard output: `node save_outbox.mjs PUBLIC_KEY_IN_HEX` */

import { outboxFile } from "../../calibration/static/bench/offline/export.js";
import { bench } from "./fakes/scripted.mjs";

const { outbox, note } = bench();
await note("Höhe", { file: { name: "tape.jpg", type: "image/jpeg", bytes: Uint8Array.of(255, 216, 0).buffer } });
const about = { workshop: "0199-w", tablet: "Bay 2", saved_at: "2026-11-25T12:00:00Z" };
const recipient = Uint8Array.from(Buffer.from(process.argv[2], "hex"));
process.stdout.write(Buffer.from(await outboxFile(outbox.store, recipient, about)).toString("hex"));
