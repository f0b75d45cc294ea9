/** What browsers have and Node.js 18 keeps in a module. */

import { webcrypto } from "node:crypto";

globalThis.crypto ??= webcrypto;
