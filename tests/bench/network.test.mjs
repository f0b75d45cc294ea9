import assert from "node:assert/strict";
import { createServer } from "node:http";
import { after, before, describe, test } from "node:test";
import { Network } from "../../calibration/static/bench/offline/network.js";

const ENTRY = { path: "/api/v1/jobs/1/rounds/", method: "POST", person: "she" };
const CONTENT = { fields: { id: "id-1", height_mm: 486 }, file: null };
const SENT_AT = "Wed, 25 Nov 2026 12:00:00 GMT";

describe("A request", () => {
  let server, base, heard, reply;
  before(async () => {
    server = createServer(async (request, response) => {
      const chunks = [];
      for await (const chunk of request) chunks.push(chunk);
      const { method, url, headers } = request;
      heard = { method, url, headers, body: Buffer.concat(chunks).toString() };
      reply(response);
    });
    await new Promise((resolve) => server.listen(0, "127.0.0.1", resolve));
    base = `http://127.0.0.1:${server.address().port}`;
  });
  after(() => {
    server.closeAllConnections();
    server.close();
  });

  const network = (members) =>
    new Network({
      token: async (person) => `token of ${person}`,
      fetch: (path, options) => fetch(new URL(path, base), options),
      now: () => Date.UTC(2026, 10, 25, 11, 59),
      ...members,
    });
  const answering = (status, headers, body) => (response) => {
    response.sendDate = false;
    response.writeHead(status, { Date: SENT_AT, "Content-Type": "application/json", ...headers });
    response.end(body);
  };

  test("says who sends, when by the tablet's clock, and which server it is meant for", async () => {
    reply = answering(201, { "Levelbook-Epoch": "e1" }, '{"id": "id-1"}');
    await network().send(ENTRY, CONTENT, "e1");
    assert.equal(`${heard.method} ${heard.url}`, "POST /api/v1/jobs/1/rounds/");
    assert.equal(heard.headers.authorization, "Bearer token of she");
    assert.equal(heard.headers["device-time"], "2026-11-25T11:59:00.000Z");
    assert.equal(heard.headers["levelbook-epoch"], "e1");
    assert.equal(heard.headers.cookie, undefined);
    assert.deepEqual(JSON.parse(heard.body), CONTENT.fields);
  });

  test("asks in the language of the app, where it is told of one", async () => {
    reply = answering(201, { "Levelbook-Epoch": "e1" }, "{}");
    await network({ language: "de" }).send(ENTRY, CONTENT, "e1");
    assert.equal(heard.headers["accept-language"], "de");
    await network().send(ENTRY, CONTENT, "e1");
    assert.notEqual(heard.headers["accept-language"], "de");
  });

  test("names no server before one is known", async () => {
    reply = answering(201, { "Levelbook-Epoch": "e1" }, "{}");
    await network().send(ENTRY, CONTENT, null);
    assert.equal(heard.headers["levelbook-epoch"], undefined);
  });

  test("with a picture is a form whose fields come with it", async () => {
    reply = answering(201, { "Levelbook-Epoch": "e1" }, "{}");
    const file = { name: "tape.jpg", type: "image/jpeg", bytes: new TextEncoder().encode("JFIF").buffer };
    await network().send(ENTRY, { fields: { id: "id-1" }, file }, "e1");
    assert.match(heard.headers["content-type"], /^multipart\/form-data; boundary=/);
    assert.match(heard.body, /name="id"\r\n\r\nid-1\r\n/);
    assert.match(heard.body, /name="file"; filename="tape.jpg"\r\nContent-Type: image\/jpeg\r\n\r\nJFIF/);
  });

  test("is answered with a receipt: epoch, server's time, what was recorded", async () => {
    reply = answering(201, { "Levelbook-Epoch": "e1" }, '{"id": "id-1"}');
    const answer = await network().send(ENTRY, CONTENT, "e1");
    const at = Date.UTC(2026, 10, 25, 12);
    const body = { id: "id-1" };
    assert.deepEqual(answer, { status: 201, epoch: "e1", at, retry_after_s: null, problem: null, body });
  });

  test("is answered with a problem only where it is one", async () => {
    const said = '{"type": "conflict", "status": 409, "next_step": "measure"}';
    reply = answering(409, { "Content-Type": "application/problem+json; charset=utf-8" }, said);
    assert.equal((await network().send(ENTRY, CONTENT, "e1")).problem.next_step, "measure");
    reply = answering(403, { "Content-Type": "text/html" }, "<h1>Sign in to the wireless</h1>");
    assert.equal((await network().send(ENTRY, CONTENT, "e1")).problem, null);
  });

  for (const [text, seconds] of [["30", 30], ["Wed, 25 Nov 2026 12:01:30 GMT", 90], ["soon", null]]) {
    test(`is asked to come back: Retry-After '${text}'`, async () => {
      reply = answering(503, { "Retry-After": text }, "{}");
      assert.equal((await network().send(ENTRY, CONTENT, "e1")).retry_after_s, seconds);
    });
  }

  test("whose answer breaks off in its body has its receipt all the same", async () => {
    reply = (response) => {
      response.writeHead(201, { "Levelbook-Epoch": "e1", "Content-Type": "application/json", "Content-Length": 100 });
      response.write('{"id"');
      setImmediate(() => response.destroy());
    };
    const answer = await network().send(ENTRY, CONTENT, "e1");
    assert.deepEqual([answer.status, answer.epoch, answer.body], [201, "e1", null]);
  });

  test("follows no redirect, which would make a read of it", async () => {
    reply = answering(302, { Location: "/elsewhere/" }, "");
    assert.equal((await network().send(ENTRY, CONTENT, "e1")).status, 0);
    assert.equal(heard.url, ENTRY.path);
  });

  test("has no answer when nobody is there, or none in time", async () => {
    const nobody = network({ fetch: () => Promise.reject(new TypeError("Failed to fetch")) });
    assert.equal((await nobody.send(ENTRY, CONTENT, "e1")).status, 0);
    const silent = (_path, { signal }) =>
      new Promise((_, reject) => signal.addEventListener("abort", () => reject(signal.reason)));
    const answer = await network({ fetch: silent, patienceMs: 10 }).send(ENTRY, CONTENT, "e1");
    assert.equal(answer.status, 0);
  });

  test("is not made for someone who is not signed in", async () => {
    heard = null;
    const answer = await network({ token: async () => null }).send(ENTRY, CONTENT, "e1");
    assert.deepEqual([answer.status, answer.problem.type], [401, "signed_out"]);
    assert.equal(heard, null);
  });

  test("for the epoch alone changes nothing", async () => {
    reply = answering(200, { "Levelbook-Epoch": "e2" }, "{}");
    assert.equal((await network().ask("she")).epoch, "e2");
    assert.equal(`${heard.method} ${heard.url}`, "GET /api/v1/tablet/");
  });
});
