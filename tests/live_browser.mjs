// Opens a live page in a headless Chromium and looks at it: does it load without a complaint on the console, does
// it ask anybody but its server, does it get on with the run, does it hold with and without the token, and does it
// fit into its window at two widths, light and dark.
//
//   node --experimental-websocket tests/live_browser.mjs http://127.0.0.1:8400/ TOKEN FOLDER
//
// TOKEN `-` leaves the words out. Pictures of the page go into FOLDER. CHROMIUM names the browser.
import { spawn } from "node:child_process";
import { mkdtempSync, readFileSync, existsSync, writeFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

const [address, token, folder] = process.argv.slice(2);
const profile = mkdtempSync(join(tmpdir(), "live-page-"));
const browser = spawn(process.env.CHROMIUM || "chromium", [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync", `--user-data-dir=${profile}`, "--remote-debugging-port=0", "about:blank",
], { stdio: "ignore" });
const pause = (ms) => new Promise((done) => setTimeout(done, ms));
const faults = [];
const check = (good, words) => { console.log(`${good ? "ok  " : "FAIL"} ${words}`); if (!good) faults.push(words); };

async function connect() {
  const file = join(profile, "DevToolsActivePort");
  for (let i = 0; i < 150 && !existsSync(file); i += 1) await pause(100);
  const port = readFileSync(file, "utf8").split("\n")[0];
  const pages = await (await fetch(`http://127.0.0.1:${port}/json/list`)).json();
  const socket = new WebSocket(pages.find((p) => p.type === "page").webSocketDebuggerUrl);
  await new Promise((done, fail) => { socket.onopen = done; socket.onerror = fail; });
  let count = 0;
  const waiting = new Map();
  const heard = { console: [], requests: [] };
  socket.onmessage = (message) => {
    const said = JSON.parse(message.data);
    if (said.id) { waiting.get(said.id)?.(said); return; }
    if (said.method === "Runtime.consoleAPICalled") heard.console.push(said.params.args.map((a) => a.value).join(" "));
    if (said.method === "Runtime.exceptionThrown") heard.console.push(said.params.exceptionDetails.text);
    if (said.method === "Log.entryAdded") heard.console.push(said.params.entry.text);
    if (said.method === "Network.requestWillBeSent") heard.requests.push(said.params.request.url);
    if (said.method === "Page.javascriptDialogOpening") socket.send(JSON.stringify({ id: ++count, method: "Page.handleJavaScriptDialog", params: { accept: true } }));
  };
  const ask = (method, params = {}) => new Promise((done) => {
    const id = ++count;
    waiting.set(id, done);
    socket.send(JSON.stringify({ id, method, params }));
  });
  const value = async (expression) => (await ask("Runtime.evaluate", { expression, awaitPromise: true, returnByValue: true })).result.result.value;
  return { ask, value, heard };
}

async function look({ ask, value }, width, height, dark) {
  await ask("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: width < 500 });
  await ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: dark ? "dark" : "light" }] });
  await pause(1500);
  const wide = await value("document.documentElement.scrollWidth");
  check(wide <= width, `nothing sticks out at ${width} px (${wide})`);
  const tall = await value("document.documentElement.scrollHeight");
  const shot = await ask("Page.captureScreenshot", { captureBeyondViewport: true, clip: { x: 0, y: 0, width, height: Math.min(tall, 4000), scale: 1 } });
  const name = join(folder, `live_${width}_${dark ? "dark" : "light"}.png`);
  writeFileSync(name, Buffer.from(shot.result.data, "base64"));
  console.log(`     ${name}`);
}

async function words({ value }) {
  const press = (word) => value(`document.querySelector('[data-word=${word}]').click()`);
  const type = (text) => value(`(() => { const t = document.getElementById("token"); t.value = ${JSON.stringify(text)}; t.dispatchEvent(new Event("input")); })()`);
  const answer = () => value("document.getElementById('answer').textContent");
  check(await value("document.querySelector('[data-word=hold]').disabled"), "without a token the buttons do nothing");
  await type("0".repeat(32));
  await press("hold");
  await pause(1200);
  check((await answer()).includes("token"), `a wrong token is refused: ${await answer()}`);
  await type(token);
  await press("hold");
  await pause(2500);
  check((await value("document.getElementById('word').textContent")) === "held", `with the token it holds: ${await answer()}`);
  await press("release");
  await pause(2500);
  check((await value("document.getElementById('word').textContent")) === "running", `and goes on: ${await answer()}`);
}

try {
  const page = await connect();
  for (const part of ["Runtime", "Log", "Network", "Page"]) await page.ask(`${part}.enable`);
  await page.ask("Page.navigate", { url: address });
  await pause(2500);
  check((await page.value("document.querySelectorAll('svg.figure').length")) > 0, "there are pictures");
  check((await page.value("document.getElementById('interlocks').children.length")) > 0, "there are interlocks");
  check((await page.value("document.querySelectorAll('h1').length")) === 1, "there is one main heading");
  check(await page.value("[...document.querySelectorAll('svg.figure')].every((s) => s.getAttribute('aria-label'))"), "every picture is described");
  await look(page, 1400, 900, false);
  await look(page, 1400, 900, true);
  await look(page, 390, 844, false);
  await look(page, 390, 844, true);
  check(page.heard.console.length === 0, `nothing on the console: ${page.heard.console.join(" | ")}`);
  if (token !== "-") await words(page);
  const origin = new URL(address).origin;
  const elsewhere = page.heard.requests.filter((url) => !url.startsWith(origin) && !url.startsWith("data:"));
  check(elsewhere.length === 0, `nobody else is asked: ${elsewhere.join(" ")}`);
} finally {
  browser.kill();
  await pause(500);
  rmSync(profile, { recursive: true, force: true, maxRetries: 5 });
}
process.exit(faults.length ? 1 : 0);
