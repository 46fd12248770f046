// The memory of a browser that shows the live page for a day: 864,000 points, fed as fast as they can be written.
//
//   NOCTULE_CAMPAIGN=full node --experimental-websocket tests/live_memory.mjs
//
// Starts tests/live_day.rs, opens its page in a headless Chromium, and prints the JavaScript heap after a collection
// and the number of nodes at each mark. Fails if the heap grows by more than a quarter after the first third.
import { spawn } from "node:child_process";
import { mkdtempSync, readFileSync, existsSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

const pause = (ms) => new Promise((done) => setTimeout(done, ms));
const profile = mkdtempSync(join(tmpdir(), "live-memory-"));
const browser = spawn(process.env.CHROMIUM || "chromium", [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync", `--user-data-dir=${profile}`, "--remote-debugging-port=0", "about:blank",
], { stdio: "ignore" });
const feeder = spawn("cargo", ["test", "--test", "live_day", "--", "--nocapture"], { stdio: ["ignore", "pipe", "inherit"] });
let said = "";
feeder.stdout.on("data", (text) => { said += text; });
let fed = null;
feeder.on("exit", (code) => { fed = code; });

async function connect() {
  const file = join(profile, "DevToolsActivePort");
  for (let i = 0; i < 300 && !existsSync(file); i += 1) await pause(100);
  const port = readFileSync(file, "utf8").split("\n")[0];
  const pages = await (await fetch(`http://127.0.0.1:${port}/json/list`)).json();
  const socket = new WebSocket(pages.find((p) => p.type === "page").webSocketDebuggerUrl);
  await new Promise((done, fail) => { socket.onopen = done; socket.onerror = fail; });
  let count = 0;
  const waiting = new Map();
  socket.onmessage = (message) => {
    const heard = JSON.parse(message.data);
    waiting.get(heard.id)?.(heard.result);
    waiting.delete(heard.id);
  };
  return (method, params = {}) => new Promise((done) => {
    const id = ++count;
    waiting.set(id, done);
    socket.send(JSON.stringify({ id, method, params }));
  });
}

const heaps = [];
try {
  const ask = await connect();
  await ask("Page.enable");
  await ask("Performance.enable");
  while (fed === null && !/page (\S+)/.test(said)) await pause(200);
  await ask("Page.navigate", { url: /page (\S+)/.exec(said)[1] });
  let seen = 0;
  while (fed === null) {
    const marks = said.match(/^mark .*/gm) ?? [];
    if (marks.length > seen) {
      seen = marks.length;
      await ask("HeapProfiler.collectGarbage");
      const { metrics } = await ask("Performance.getMetrics");
      const of = (name) => metrics.find((m) => m.name === name).value;
      const shown = (await ask("Runtime.evaluate", { expression: "document.getElementById('points').textContent" })).result.value;
      heaps.push(of("JSHeapUsedSize"));
      console.log(`${marks.at(-1)}; page shows ${shown}, heap ${(of("JSHeapUsedSize") / 1e6).toFixed(2)} MB, ${of("Nodes")} nodes, ${of("JSEventListeners")} listeners`);
    }
    await pause(50);
  }
} finally {
  browser.kill();
  await pause(500);
  rmSync(profile, { recursive: true, force: true, maxRetries: 5 });
}
console.log(said.match(/^server: .*/m)?.[0] ?? "the feeder did not come to its end");
const early = heaps[Math.floor(heaps.length / 3)];
const flat = heaps.length >= 6 && heaps.at(-1) < 1.25 * early;
console.log(`${flat && fed === 0 ? "ok  " : "FAIL"} heap ${(early / 1e6).toFixed(2)} MB after a third, ${(heaps.at(-1) / 1e6).toFixed(2)} MB at the end`);
process.exit(flat && fed === 0 ? 0 : 1);
