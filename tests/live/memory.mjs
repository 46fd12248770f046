// The memory of a browser that shows the live page for a day: 864,000 points, fed as fast as they can be written.
//
//   NOCTULE_CAMPAIGN=full node --experimental-websocket tests/live/memory.mjs
//
// Starts tests/live/day.rs, opens its page in a headless Chromium, and prints the JavaScript heap after a collection
// and the number of nodes at each mark. Fails if the heap grows by more than a quarter after the first third.
import { spawn } from "node:child_process";
import { launch, pause } from "./chromium.mjs";

const browser = launch();
const feeder = spawn("cargo", ["test", "--test", "live_day", "--", "--nocapture"], { stdio: ["ignore", "pipe", "inherit"] });
let said = "";
feeder.stdout.on("data", (text) => { said += text; });
let fed = null;
feeder.on("exit", (code) => { fed = code; });

const heaps = [];
try {
  const { ask, value } = await browser.connect();
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
      const shown = await value("document.getElementById('points').textContent");
      heaps.push(of("JSHeapUsedSize"));
      console.log(`${marks.at(-1)}; page shows ${shown}, heap ${(of("JSHeapUsedSize") / 1e6).toFixed(2)} MB, ${of("Nodes")} nodes, ${of("JSEventListeners")} listeners`);
    }
    await pause(50);
  }
} finally {
  await browser.close();
}
console.log(said.match(/^server: .*/m)?.[0] ?? "the feeder did not come to its end");
const early = heaps[Math.floor(heaps.length / 3)];
const flat = heaps.length >= 6 && heaps.at(-1) < 1.25 * early;
console.log(`${flat && fed === 0 ? "ok  " : "FAIL"} heap ${(early / 1e6).toFixed(2)} MB after a third, ${(heaps.at(-1) / 1e6).toFixed(2)} MB at the end`);
process.exit(flat && fed === 0 ? 0 : 1);
