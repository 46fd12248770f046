"use strict";
// The live page: takes status and pictures as they come and puts them in their places.
// Words from the record go in as text, never as markup; pictures are made and escaped by the server.

const at = (id) => document.getElementById(id);
const narrowWindow = matchMedia("(max-width: 820px)");
const LOUD_AFTER_MS = 6000;
const MARKS = {
  running: ["▶", "good"], finished: ["✓", "good"], held: ["‖", "look"], parking: ["▾", "look"],
  stopped: ["■", "look"], failed: ["✕", "wrong"], interlock: ["!", "wrong"], fault: ["✕", "wrong"],
  over: ["✓", "look"], "no answer": ["?", "look"],
};
const SIGNS = { good: "✓", look: "▲", wrong: "✕" };
const ENDED = ["finished", "failed", "interlock", "stopped", "fault"];
let stream = null;
let lastHeard = 0;
let lastState = "";
let lastStep = "";
let lastMessage = "";
let lastClock = "";
let rehearsal = false;
let beforeRelease = [];
let order = [];

function put(id, text) {
  const node = at(id);
  // Unchanged text is left alone, so that a selection or a screen reader is not disturbed.
  if (node.textContent !== text) node.textContent = text;
}

function node(kind, text, className) {
  const made = document.createElement(kind);
  if (text !== undefined && text !== null) made.textContent = text;
  if (className) made.className = className;
  return made;
}

// Rebuilds a list only when what it shows has changed.
function refill(id, items, make) {
  const key = JSON.stringify(items);
  const box = at(id);
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren(...items.map(make).flat());
}

function sweepLeft(status) {
  return status.ahead && status.ahead.sweep_left && !status.sweep.ended ? `, ${status.ahead.sweep_left} left` : "";
}

// A hold is as old as the hold, not as the run.
function lasted(status) {
  return status.hold && status.hold.lasts ? `for ${status.hold.lasts}, in a run of ${status.elapsed}` : `for ${status.elapsed}`;
}

function showNow(status) {
  const [mark, usual] = MARKS[status.state] || ["·", ""];
  const tone = ENDED.includes(status.state) ? status.result.weight : usual;
  const word = status.rehearsal && status.state === "no answer" ? "rehearsal" : status.state;
  put("mark", mark);
  put("word", word);
  at("now").className = tone;
  const ended = ENDED.includes(status.state);
  put("for", ended ? `after ${status.elapsed}${status.parked ? ", bench parked" : ", bench NOT parked"}` : lasted(status));
  at("hold").hidden = !status.hold;
  put("hold", status.hold ? `Hold: ${status.hold.words}.` : "");
  at("cautions").hidden = !status.hold;
  refill("cautions", status.hold ? status.hold.cautions : [], (text) => node("li", text));
  beforeRelease = status.hold ? status.hold.before_release : [];
  at("unsafe").hidden = !status.not_safe_yet;
  put("unsafe", status.not_safe_yet ? `✕ NOT safe yet: ${status.not_safe_yet}; tried again and again.` : "");
  // While it runs, its state stands above.
  const parts = status.result.parts.filter((part) => ended ? part.words !== status.result.outcome : part.about !== "run");
  const goals = (status.result.goals || []).map((goal) => ({ weight: goal.weight, words: `${goal.name}: ${goal.words}` }));
  if (status.result.chosen && !ended) goals.push({ weight: "good", words: `next: ${status.result.chosen}` });
  for (const asked of status.result.questions || []) {
    goals.push({ weight: asked.holds ? "good" : "look", words: `asked, ${asked.name}: ${asked.words}` });
  }
  refill("story", parts.concat(goals), (part) => {
    const item = node("li");
    item.append(node("span", SIGNS[part.weight], part.weight), ` ${part.words.charAt(0).toUpperCase()}${part.words.slice(1)}`);
    return item;
  });
  put("run", status.run);
  document.title = `${word} · ${status.run}`;
  put("about", [status.sequence, status.bench, status.rehearsal ? "rehearsal" : "", status.clock].filter(Boolean).join(" · "));
  put("step", status.step ? `${status.step}, for ${status.step_for}` : "–");
  const sweep = status.sweep;
  put("sweep", sweep ? `${sweep.number} · ${sweep.name}, ${sweep.done} of ${sweep.planned}${sweepLeft(status)}` : "–");
  put("points", status.points.toLocaleString("en"));
  const ahead = status.ahead;
  const short = ahead && ahead.too_long ? ", ! shorter than what is left" : "";
  put("window", status.window_left ? `${status.window_left} left${short}` : "–");
  put("left", ahead ? ahead.left : "–");
  // On what the time left rests, or why there is none: an estimate without it is worth nothing.
  at("basis").hidden = !(ahead && ahead.basis);
  put("basis", ahead && ahead.basis ? `Time left: ${ahead.basis}${ahead.ends ? `; over about ${ahead.ends}` : ""}.` : "");
  const along = at("along");
  along.hidden = !sweep || sweep.ended || ended;
  if (sweep) {
    along.max = Math.max(1, sweep.planned);
    along.value = sweep.done;
  }
}

function showLocks(locks) {
  refill("interlocks", locks, (lock) => {
    const item = node("li");
    item.append(node("b", lock.name));
    const how = node("span", null, "how");
    if (lock.tripped) how.append(node("span", "✕ TRIPPED", "trip"), ` · ${lock.action}`);
    else how.append(`✓ at rest · ${lock.action}`);
    item.append(how);
    if (lock.part !== null) {
      const meter = node("meter");
      meter.max = 1;
      meter.optimum = 0;
      meter.low = 0.7;
      meter.high = 0.9;
      meter.value = lock.part;
      meter.setAttribute("aria-label", `${lock.name}: part of the way to its limit`);
      item.append(meter);
    }
    const where = lock.value === null ? "" : `now ${lock.value}, limit ${lock.limit} · `;
    item.append(node("span", where + lock.condition, "cond"));
    return item;
  });
}

function showHelium(helium) {
  if (!helium) return put("helium", "No reading yet.");
  const loss = (helium.loss ? `, losing ${helium.loss}` : "") + `; ${helium.used}`;
  const due = helium.due ? ` Refill due in ${helium.due_in} (${helium.due}).` : " A forecast needs half an hour of readings.";
  put("helium", `${helium.level} now${loss}; refill limit ${helium.limit}.${due}`);
}

function showChannels(channels, ended) {
  const names = { temperature: "Temperatures", pressure: "Pressures", helium: "Helium", field: "Field", rf: "RF", "lock-in": "Lock-in", junction: "Junction", other: "Others" };
  const groups = Object.keys(names).map((key) => [names[key], channels.filter((c) => c.group === key)]).filter((g) => g[1].length);
  refill("channels", groups, ([name, members]) => {
    const head = node("tr", null, "group");
    const cell = node("th", name);
    cell.colSpan = 3;
    cell.scope = "colgroup";
    head.append(cell);
    return [head, ...members.map((channel) => {
      const row = node("tr");
      const title = node("th", channel.name);
      title.scope = "row";
      row.append(title, node("td", channel.value), node("td", channel.age ? `${channel.age} ${ended ? "before the end" : "ago"}` : ended ? "at the end" : "now"));
      return row;
    })];
  });
}

// A row of a table: its head, then its cells; a cell is words, or a sign with words.
function rowOf(head, cells) {
  const row = node("tr");
  const title = node("th", head);
  title.scope = "row";
  row.append(title, ...cells.map((cell) => {
    const made = node("td", cell.weight ? null : cell);
    if (cell.weight) made.append(node("span", SIGNS[cell.weight], cell.weight), ` ${cell.words}`);
    return made;
  }));
  return row;
}

// What all runs of a campaign come to together, this one among them.
function showCampaign(campaign) {
  at("campaign").hidden = !campaign;
  if (!campaign) return;
  put("campaign-line", `${SIGNS[campaign.weight]} ${campaign.headline}`);
  put("campaign-span", campaign.span);
  refill("campaign-goals", campaign.goals, (goal) =>
    rowOf(goal.name, [goal, goal.since ? `${goal.since.at} in ${goal.since.run}` : "", goal.why]));
  refill("campaign-runs", campaign.runs, (run) => rowOf(run.name, [
    [run.when, run.gap, run.held && `held: ${run.held}`].filter(Boolean).join("; "),
    run.what_for.join("; "),
    { weight: run.weight, words: [run.outcome, ...run.came].join("; ") },
  ]));
  const tips = campaign.tips.map((tip) => `${tip.name}: ${[tip.came, ...tip.known].join("; ")}; in ${tip.runs.join(", ")}`);
  const spins = campaign.spins.map((spin) => `${spin.name}: ${spin.words}, ${spin.spectra} spectra from ${spin.at} in ${spin.run}${spin.tip ? `, with ${spin.tip}` : ""}`);
  const helium = campaign.helium ? [`helium: ${campaign.helium.words}`] : [];
  const next = [...(campaign.next.handed_over || []), ...campaign.next.people];
  refill("campaign-more", [...tips, ...spins, ...helium, ...next, ...(campaign.doubts || [])], (words) => node("li", words));
}

function showMessages(messages) {
  const shown = messages.length ? messages : [{ at: "", text: "Nothing to tell.", grave: false }];
  refill("messages", shown, (message) => {
    const item = node("li", null, message.grave ? "grave" : "");
    item.append(node("time", message.at));
    const text = node("span");
    if (message.grave) text.append(node("b", "! "));
    text.append(message.text);
    item.append(text);
    return item;
  });
}

// Said aloud politely: a new state, a new step, a new message. Not every point.
function announce(status) {
  const said = [];
  if (status.state !== lastState) said.push(`The run is ${status.state}.`);
  if (status.step && status.step !== lastStep) said.push(`Step: ${status.step}.`);
  const newest = status.messages.length ? status.messages[0].text : "";
  if (lastState && newest && newest !== lastMessage) said.push(newest);
  [lastState, lastStep, lastMessage] = [status.state, status.step || "", newest];
  if (said.length) put("announce", said.join(" "));
}

function showStatus(status) {
  if (!status.run) return;
  showNow(status);
  showCampaign(status.campaign);
  showLocks(status.interlocks);
  showHelium(status.helium);
  showChannels(status.channels, ENDED.includes(status.state));
  showMessages(status.messages);
  [lastClock, rehearsal] = [status.clock, status.rehearsal];
  announce(status);
  allowWords(status);
}

function boxOf(name, title) {
  if (name === "days") return at("campaign-days");
  if (["present", "fitted", "resonance"].includes(name)) return at("large");
  return title === "Helium" ? at("small-helium") : at("small");
}

function showPicture(picture) {
  at("nodata").hidden = at("nodata").hidden || ["present", "fitted", "resonance"].includes(picture.name);
  const id = `picture-${picture.name}`;
  let figure = at(id);
  const parsed = new DOMParser().parseFromString(picture.svg, "image/svg+xml").documentElement;
  if (parsed.nodeName !== "svg") return;
  const drawn = document.importNode(parsed, true);
  if (!figure) {
    figure = node("figure");
    figure.id = id;
    if (picture.title !== "Helium") figure.append(node("h3", picture.title));
    figure.append(drawn);
    boxOf(picture.name, picture.title).append(figure);
    arrange();
    return;
  }
  const head = figure.querySelector("h3");
  if (head && head.textContent !== picture.title) head.textContent = picture.title;
  figure.querySelector("svg").replaceWith(drawn);
}

function arrange() {
  for (const id of ["campaign-days", "large", "small", "small-helium"]) {
    const box = at(id);
    for (const figure of [...box.querySelectorAll("figure")]) {
      if (!order.includes(figure.id.slice("picture-".length))) figure.remove();
    }
    const wanted = order.map((name) => at(`picture-${name}`)).filter((figure) => figure && figure.parentNode === box);
    const present = [...box.querySelectorAll("figure")];
    if (wanted.some((figure, i) => present[i] !== figure)) wanted.forEach((figure) => box.append(figure));
  }
}

function listen() {
  if (stream) stream.close();
  stream = new EventSource(`/events?narrow=${narrowWindow.matches}`);
  const heard = () => { lastHeard = Date.now(); };
  stream.addEventListener("open", heard);
  stream.addEventListener("status", (event) => { heard(); showStatus(JSON.parse(event.data)); connection(); });
  stream.addEventListener("order", (event) => { heard(); order = JSON.parse(event.data); arrange(); });
  stream.addEventListener("picture", (event) => { heard(); showPicture(JSON.parse(event.data)); });
  stream.addEventListener("error", () => connection());
}

// Clocks differ from place to place: how long ago is true everywhere, and times of day are those of the laboratory.
function connection() {
  const quiet = Date.now() - lastHeard;
  const lost = lastHeard > 0 && quiet > LOUD_AFTER_MS;
  const silent = lastState === "no answer" && !rehearsal;
  document.body.classList.toggle("old", lost || silent);
  at("stale").hidden = !(lost || silent);
  if (lost) {
    put("stale", `✕ Old: nothing was heard for ${Math.round(quiet / 1000)} s. What is shown stood at ${lastClock}; nobody knows what is so now.`);
    put("mark", "?");
    at("now").className = "wrong";
  } else if (silent) {
    put("stale", `✕ The run does not answer. What is shown stood in its record at ${lastClock}; look at the bench.`);
  }
  at("connection").className = lost ? "lost" : "faint";
  if (lost) put("connection", "✕ no connection");
  else if (lastHeard > 0) put("connection", "● connected");
}

let speakable = false;
function allowWords(status) {
  speakable = Boolean(status && status.answers) && !ENDED.includes(status.state);
  const ready = speakable && at("token").value.trim() !== "";
  for (const button of document.querySelectorAll("[data-word]")) button.disabled = !ready;
  if (!speakable) put("words-note", "This run takes no words: it is over, or it does not answer.");
}

async function sayWord(word) {
  if (word === "hold" && !confirm("Hold the run at its next point?")) return;
  if (word === "stop" && !confirm("Stop the run at the next point and park the bench?")) return;
  let said = word;
  if (word === "release") {
    const name = prompt(`${beforeRelease.join("\n\n")}\n\nAre people, tools and the transfer line clear of cryostat and magnet? Your name if they are:`);
    if (!name || !name.trim()) return;
    said = { release: { clear_by: name.trim() } };
  }
  put("answer", "…");
  try {
    const answer = await fetch("/word", {
      method: "POST",
      headers: { "content-type": "application/json", "x-noctule-token": at("token").value.trim() },
      body: JSON.stringify({ word: said }),
      credentials: "omit",
    });
    const body = await answer.json();
    put("answer", answer.ok ? `✓ ${word}: the run has heard it` : `✕ ${word}: ${body.error}`);
  } catch (error) {
    put("answer", `✕ ${word}: the server does not answer`);
  }
}

at("words-form").addEventListener("submit", (event) => event.preventDefault());
at("token").addEventListener("input", () => {
  for (const button of document.querySelectorAll("[data-word]")) {
    button.disabled = !speakable || at("token").value.trim() === "";
  }
});
for (const button of document.querySelectorAll("[data-word]")) {
  button.addEventListener("click", () => sayWord(button.dataset.word));
}
narrowWindow.addEventListener("change", listen);
setInterval(connection, 1000);
listen();
