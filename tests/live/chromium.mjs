// A headless Chromium for whatever looks at the live page. CHROMIUM names the browser.
import { spawn } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

export const pause = (ms) => new Promise((done) => setTimeout(done, ms));

/** Starts a browser with a profile of its own. `connect` gives its one page, `close` ends it and takes the profile away. */
export function launch() {
  const profile = mkdtempSync(join(tmpdir(), "live-page-"));
  const child = spawn(process.env.CHROMIUM || "chromium", [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", `--user-data-dir=${profile}`, "--remote-debugging-port=0", "about:blank",
  ], { stdio: "ignore" });
  return {
    connect: () => connect(profile),
    async close() {
      child.kill();
      await pause(500);
      rmSync(profile, { recursive: true, force: true, maxRetries: 5 });
    },
  };
}

/** `ask` sends a command and gives its result, `value` that of an expression; `heard(message)` is told of every event. */
async function connect(profile) {
  const file = join(profile, "DevToolsActivePort");
  for (let i = 0; i < 300 && !existsSync(file); i += 1) await pause(100);
  const port = readFileSync(file, "utf8").split("\n")[0];
  const pages = await (await fetch(`http://127.0.0.1:${port}/json/list`)).json();
  const socket = new WebSocket(pages.find((p) => p.type === "page").webSocketDebuggerUrl);
  await new Promise((done, fail) => { socket.onopen = done; socket.onerror = fail; });
  let count = 0;
  const waiting = new Map();
  const page = { heard: () => {} };
  socket.onmessage = (message) => {
    const said = JSON.parse(message.data);
    if (!said.id) { page.heard(said); return; }
    waiting.get(said.id)?.(said.result);
    waiting.delete(said.id);
  };
  page.ask = (method, params = {}) => new Promise((done) => {
    const id = ++count;
    waiting.set(id, done);
    socket.send(JSON.stringify({ id, method, params }));
  });
  page.value = async (expression) =>
    (await page.ask("Runtime.evaluate", { expression, awaitPromise: true, returnByValue: true })).result.value;
  return page;
}
