// Opens a live page in a headless Chromium and looks at it: does it load without a complaint on the console, does
// it ask anybody but its server, is a point on it within a second, does it hold with the token and refuse without,
// and does it fit into its window at two widths, light and dark.
//
//   node --experimental-websocket tests/live/browser.mjs PROGRAM FOLDER            starts a run of its own
//   node --experimental-websocket tests/live/browser.mjs http://127.0.0.1:8400/ FOLDER     looks at a page only
//
// AXE names the file axe.min.js of the library axe-core: with it, the page is checked for people who can't see it or have
// no mouse. AXE_PAGES names a folder of further pages (briefs) that are checked with it.
//
// PROGRAM is the built noctule. Pictures of the page go into FOLDER. CHROMIUM names the browser.
import { execFileSync, spawn } from "node:child_process";
import { mkdtempSync, existsSync, readFileSync, readdirSync, writeFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { launch, pause } from "./chromium.mjs";

// What is typed where the page asks who says that people are clear.
let clearBy = "";

const [subject, folder] = process.argv.slice(2);
if (typeof WebSocket === "undefined" || !folder) {
  console.error("needs Node 20.10 or newer with --experimental-websocket, and two arguments");
  process.exit(2);
}
// Points come about eight times a second; the run ends when this script stops it.
const SEQUENCE = `set("Bias", 60.mV); approach();
step("eyes on the page", || {
    for i in 0..40 {
        let s = sweep(#{ name: "look", channel: "Bias", from: 40.mV, to: 60.mV, points: 200, read: "Current", settle: 120.ms });
        note(\`sweep \${i}: \${s.points} points\`);
    }
});
park();
`;
const browser = launch();
const faults = [];
let run = null;
const check = (good, words) => { console.log(`${good ? "ok  " : "FAIL"} ${words}`); if (!good) faults.push(words); };

// The page of the browser, and what is said on its console and asked of whom.
async function open() {
  const page = await browser.connect();
  const heard = { console: [], requests: [] };
  page.heard = ({ method, params }) => {
    if (method === "Runtime.consoleAPICalled") heard.console.push(params.args.map((a) => a.value).join(" "));
    if (method === "Runtime.exceptionThrown") heard.console.push(params.exceptionDetails.text);
    if (method === "Log.entryAdded") heard.console.push(params.entry.text);
    if (method === "Network.requestWillBeSent") heard.requests.push(params.request.url);
    if (method === "Page.javascriptDialogOpening") page.ask("Page.handleJavaScriptDialog", { accept: true, promptText: clearBy });
  };
  return { ask: page.ask, value: page.value, heard };
}

// A run on the simulated microscope in real time, with its page.
async function begin(program) {
  const place = mkdtempSync(join(tmpdir(), "live-run-"));
  writeFileSync(join(place, "eyes.rhai"), SEQUENCE);
  // A bench that lets the page release a hold.
  const bench = readFileSync("scripts/bench_simulated.ron", "utf8").replace("messages: [],", "live_release: true,\n    messages: [],");
  writeFileSync(join(place, "bench.ron"), bench);
  const child = spawn(program, ["run", join(place, "eyes.rhai"), "--bench", join(place, "bench.ron"),
    "--until", "30 min", "--out", join(place, "run"), "--live", "127.0.0.1:0"], { stdio: ["ignore", "ignore", "pipe"] });
  let said = "";
  child.stderr.on("data", (text) => { said += text; });
  const over = new Promise((done) => child.on("exit", done));
  for (let i = 0; i < 200 && !/release and stop: /.test(said); i += 1) await pause(100);
  const address = /live page: (\S+)/.exec(said)?.[1];
  const token = /release and stop: (\S+)/.exec(said)?.[1];
  if (!address || !token) throw new Error(`the run does not begin: ${said}`);
  return { program, place, child, over, address, token, folder: join(place, "run") };
}

function status({ program, folder }) {
  try {
    return JSON.parse(execFileSync(program, ["status", folder, "--json"], { stdio: ["ignore", "pipe", "ignore"] }));
  } catch {
    return null;
  }
}

// Asks run and page in turn: for each number of points that the run tells, how much later does the page show it?
async function delays({ value }, run) {
  for (let i = 0; i < 300 && (status(run)?.points ?? 0) < 20; i += 1) await pause(200);
  const open = [];
  const late = [];
  const until = Date.now() + 12000;
  while (Date.now() < until || (open.length && Date.now() < until + 3000)) {
    if (Date.now() < until) {
      const points = status(run)?.points ?? 0;
      if (points > (open.at(-1)?.points ?? 0)) open.push({ points, at: Date.now() });
    }
    const shown = Number((await value("document.getElementById('points').textContent")).replaceAll(",", ""));
    while (open.length && open[0].points <= shown) late.push(Date.now() - open.shift().at);
    await pause(40);
  }
  check(open.length === 0 && late.length >= 20, `the page keeps up: ${late.length} numbers followed, ${open.length} open`);
  late.sort((a, b) => a - b);
  check(late.at(-1) < 1000, `a new point is shown within 1 s: median ${late[late.length >> 1]} ms, longest ${late.at(-1)} ms`);
  check((await value("document.getElementById('left').textContent")) !== "–", "the time left is told or said to be unknown");
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
  writeFileSync(name, Buffer.from(shot.data, "base64"));
  console.log(`     ${name}`);
}

// What axe-core finds that is serious or worse, in light and dark.
async function accessible({ ask, value }, what) {
  if (!process.env.AXE) {
    console.log(`NOT CHECKED with axe-core: ${what}`);
    return;
  }
  await value(`${readFileSync(process.env.AXE, "utf8")}; true`);
  for (const dark of [false, true]) {
    await ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: dark ? "dark" : "light" }] });
    await pause(300);
    const found = await value(`axe.run(document, { resultTypes: ["violations"] }).then((r) => r.violations
      .filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => v.id + ": " + v.nodes.slice(0, 3).map((n) => n.target.join(" ")).join(", ")))`);
    check(found.length === 0, `axe-core finds nothing serious on ${what}, ${dark ? "dark" : "light"}: ${found.join("; ")}`);
  }
}

// A run that is killed: neither the page that it served itself nor the page of another process may look as if it went on.
async function killed({ ask, value }, program) {
  const doomed = await begin(program);
  const seen = async (what) => check((await value("document.body.classList.contains('old') && !document.getElementById('stale').hidden")) === true,
    `${what} says that it is old: ${await value("document.getElementById('stale').textContent")}`);
  await ask("Page.navigate", { url: doomed.address });
  await pause(3000);
  check((await value("document.getElementById('word').textContent")) === "running", "a run goes on");
  const other = spawn(program, ["live", doomed.folder, "--listen", "127.0.0.1:0"], { stdio: ["ignore", "ignore", "pipe"] });
  let said = "";
  other.stderr.on("data", (text) => { said += text; });
  for (let i = 0; i < 100 && !/http:\/\/\S+/.test(said); i += 1) await pause(100);
  const pages = { "its own page": doomed.address, "the page of another process": /http:\/\/\S+/.exec(said)?.[0] };
  doomed.child.kill("SIGKILL");
  await pause(9000);
  await seen("its own page");
  check((await value("document.getElementById('now').className")) !== "good", "and is not green");
  if (pages["the page of another process"]) {
    await ask("Page.navigate", { url: pages["the page of another process"] });
    await pause(4000);
    const word = await value("document.getElementById('word').textContent");
    const tone = await value("document.getElementById('now').className");
    check(word !== "running" && tone !== "good", `the page of another process says: ${word}`);
  } else {
    check(false, `no page of another process: ${said}`);
  }
  other.kill();
  rmSync(doomed.place, { recursive: true, force: true, maxRetries: 5 });
}

// Everything that can be done is reached by the key Tab, and what has the focus is seen.
async function byKeyboard({ ask, value }) {
  await value("document.body.focus(); document.activeElement.blur()");
  const reached = new Set();
  for (let i = 0; i < 40; i += 1) {
    for (const type of ["keyDown", "keyUp"]) await ask("Input.dispatchKeyEvent", { type, key: "Tab", code: "Tab", windowsVirtualKeyCode: 9 });
    reached.add(await value("document.activeElement.id || document.activeElement.dataset.word || document.activeElement.className"));
  }
  const wanted = ["skip", "token"];
  check(wanted.every((name) => reached.has(name)), `the key Tab reaches ${[...reached].join(", ")}`);
}

async function words({ value }, token) {
  const press = (word) => value(`document.querySelector('[data-word=${word}]').click()`);
  const type = (text) => value(`(() => { const t = document.getElementById("token"); t.value = ${JSON.stringify(text)}; t.dispatchEvent(new Event("input")); })()`);
  const answer = () => value("document.getElementById('answer').textContent");
  check(await value("document.querySelector('[data-word=hold]').disabled"), "without a token the buttons do nothing");
  const bare = await value(`fetch("/word", { method: "POST", headers: { "content-type": "application/json" }, body: '{"word":"hold"}' }).then((a) => a.status)`);
  check(bare === 401 || bare === 403, `without a token a word is refused (${bare})`);
  check((await value("document.getElementById('word').textContent")) === "running", "and the run goes on");
  await type("0".repeat(32));
  await press("hold");
  await pause(1200);
  check((await answer()).includes("token"), `a wrong token is refused: ${await answer()}`);
  await type(token);
  await press("hold");
  await pause(2500);
  check((await value("document.getElementById('word').textContent")) === "held", `with the token it holds: ${await answer()}`);
  await press("release");
  await pause(1500);
  check((await value("document.getElementById('word').textContent")) === "held", "nobody said that people are clear: it stays held");
  clearBy = "A";
  await press("release");
  await pause(2500);
  check((await value("document.getElementById('word').textContent")) === "running", `and goes on: ${await answer()}`);
}

try {
  run = existsSync(subject) ? await begin(subject) : null;
  const address = run ? run.address : subject;
  const page = await open();
  for (const part of ["Runtime", "Log", "Network", "Page"]) await page.ask(`${part}.enable`);
  await page.ask("Page.navigate", { url: address });
  await pause(2500);
  if (run) await delays(page, run);
  check((await page.value("document.querySelectorAll('svg.figure').length")) > 0, "there are pictures");
  check((await page.value("document.getElementById('interlocks').children.length")) > 0, "there are interlocks");
  check((await page.value("document.querySelectorAll('h1').length")) === 1, "there is one main heading");
  check(await page.value("[...document.querySelectorAll('svg.figure')].every((s) => s.getAttribute('aria-label'))"), "every picture is described");
  await look(page, 1400, 900, false);
  await look(page, 1400, 900, true);
  await look(page, 390, 844, false);
  await look(page, 390, 844, true);
  await accessible(page, "the live page");
  await byKeyboard(page);
  check(page.heard.console.length === 0, `nothing on the console: ${page.heard.console.join(" | ")}`);
  if (run) await words(page, run.token);
  const origin = new URL(address).origin;
  const elsewhere = page.heard.requests.filter((url) => !url.startsWith(origin) && !url.startsWith("data:"));
  check(elsewhere.length === 0, `nobody else is asked: ${page.heard.requests.length} requests, ${elsewhere.length} elsewhere ${elsewhere.join(" ")}`);
  if (run) await killed(page, subject);
  for (const name of process.env.AXE_PAGES ? readdirSync(process.env.AXE_PAGES).filter((name) => name.endsWith(".html")) : []) {
    await page.ask("Page.navigate", { url: `file://${join(process.env.AXE_PAGES, name)}` });
    await pause(700);
    await accessible(page, name);
  }
} finally {
  if (run) {
    execFileSync(run.program, ["stop", run.folder], { stdio: "ignore" });
    check((await run.over) === 4, "the run ends when it is stopped, with exit code 4");
    rmSync(run.place, { recursive: true, force: true, maxRetries: 5 });
  }
  await browser.close();
}
process.exit(faults.length ? 1 : 0);
