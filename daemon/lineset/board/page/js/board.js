// The board: hears everything, shows the sheet, and asks the station for what a hand wants done.
import { choices, keyed, make, say } from "./dom.js";
import { showFacts, showWants, wantsOf } from "./facts.js";
import { job, take } from "./job.js";
import { showJudged } from "./judged.js";
import { ask, connect, renew } from "./link.js";
import { send, smaller } from "./photo.js";
import { showPlot } from "./plot.js";
import { buttonRow, nextUp, renewButtons, showSheet, systemTitle } from "./sheet.js";
import { canListen, listen, speak, switchVoice } from "./voice.js";
import { learn, t } from "./words.js";
import { showObserved, showWanted } from "./wanted.js";

const $ = (id) => document.getElementById(id);
const PHASES = ["at_rest", "before", "work", "drying", "after"];
const DRAW_MS = 250;
// what an instrument says of itself as long as all is well; anything else is an engineer's, and English
const REASON_WORD = {
  "giving samples": "giving samples", "read by a person; enter what its display shows": "read by a person; enter what its display shows",
};
let session = {};
let linked = false;
let due = false;
let spoken = 0;
let asked = ""; // the visit and phase whose facts were asked for
let refused = null; // what the station did not do, and why

// ------------------------------------------------------------------------------------------------------- start

async function start() {
  const token = location.hash.slice(1) || sessionStorage.getItem("token") || "";
  sessionStorage.setItem("token", token);
  history.replaceState(null, "", location.pathname); // the token does not stay in the address bar
  try {
    const reply = await fetch("session", { headers: { Authorization: `Bearer ${token}` } });
    session = await reply.json();
    if (!reply.ok) return trouble(session.error);
  } catch {
    trouble(t("the station cannot be reached; is it running?"));
    setTimeout(start, 3000);
    return;
  }
  trouble("");
  learn(session.words, session.language);
  choices($("observe-form").elements.sign, [["", t("nothing of these")], ...(session.signs || []).map((sign) => [sign.id, sign.title])]);
  $("refrigerants").replaceChildren(...(session.refrigerants || []).map((value) => make("option", { value })));
  showKnown();
  $("listen").hidden = !canListen;
  connect(session, heard, (up) => {
    // a station that was started anew has new passwords
    if (!up && linked) setTimeout(again, 2000);
    linked = up;
    if (!up) asked = "";
    draw();
  });
  draw();
}

async function again() {
  if (linked) return;
  try {
    const reply = await fetch("session", { headers: { Authorization: `Bearer ${sessionStorage.getItem("token")}` } });
    if (reply.status === 403) return trouble(t("the station was started anew; open the board by its new address, which `lineset board` prints"));
    if (reply.ok) { session = await reply.json(); renew(session); trouble(""); }
  } catch { /* nobody is there yet */ }
  setTimeout(again, 2000);
}

function trouble(text) {
  $("trouble").hidden = !text;
  say($("trouble-text"), text);
}

function heard(levels, message) {
  const changed = take(levels, message);
  if (changed === "cue") {
    const cue = job.cue;
    if (cue && cue.n !== spoken) { spoken = cue.n; say($("last-cue"), cue.text); speak(cue); }
  }
  if (changed) draw();
}

// Many messages, one drawing.
function draw() {
  if (due) return;
  due = true;
  setTimeout(() => { due = false; show(); }, DRAW_MS);
}

// -------------------------------------------------------------------------------------------------------- show

function show() {
  const visit = job.visit && job.visit.state === "open" ? job.visit : null;
  const online = linked && job.station && job.station.online;
  say($("link"), !linked ? t("No connection to the station; it goes on recording. Trying again.")
    : !online ? t("The station is not running.")
    : job.station.recording === false ? t("Nothing is being recorded: {reason}", { reason: job.station.reason || "" })
    : [t("Connected."), job.station.uplink].filter(Boolean).join(" "));
  say($("visit-name"), visit ? t("Visit {visit}", { visit: visit.visit }) : t("Job sheet"));
  say($("standing"), visit ? t("Phase: {phase}", { phase: t(visit.phase.replace("_", " ")) }) : "");
  $("opening").hidden = Boolean(visit) || !online;
  for (const id of ["write", "closing"]) $(id).hidden = !visit;
  $("sheet").hidden = !visit;
  showNext(visit);
  showBar();
  showQuestions();
  if (visit) { showSheet($("sheet"), press); askFacts(visit); }
  showFacts($("facts"), session.facts || {}, order);
  showJudged($("judged"), $("judged-list"));
  showPlot($("plots"), $("plot-what"), $("plot"), $("plot-words"));
  showInstruments();
  if (visit) { showForms(); showClosing(visit); }
  document.body.dataset.ready = online ? "yes" : "no";
}

function showNext(visit) {
  const up = visit ? nextUp() : null;
  $("voice").hidden = !visit;
  const many = Object.keys(job.systems).length > 1;
  const sentence = !visit ? t("No visit is open.") : !up ? t("The sheet is being made.")
    : `${many && up.sheet.next_sentence ? `${systemTitle(up.system)}: ` : ""}${up.sheet.next_sentence || t("Everything is collected.")}`;
  say($("next-sentence"), sentence);
  say($("bar").firstElementChild, t("Next: {sentence}", { sentence }));
  const sheets = Object.values(job.systems).map((its) => its.worklist).filter(Boolean);
  const left = Math.ceil(Math.max(0, ...sheets.map((each) => each.minutes_left)));
  say($("next-left"), !up ? "" : left === 1 ? t("About 1 minute left.") : t("About {n} minutes left.", { n: left }));
  keyed($("next-do"), up && up.item ? [up] : [], (each) => `${each.system}/${each.item.id}/${each.item.phase}`, (each) => {
    const element = make("div", {}, make("p", { class: "caution" }), buttonRow(each.item, (what) => press(what, each.system, element.item)));
    return element;
  }, (element, each) => {
    element.item = each.item;
    say(element.querySelector(".caution"), each.item.caution || "");
    element.querySelector(".caution").hidden = !each.item.caution;
    renewButtons(element.querySelector(".row"), each.item);
  });
  keyed($("meanwhile"), ((up && up.sheet.meanwhile) || []).map((text, at) => ({ text, at })), (each) => String(each.at), () => make("li"),
    (item, each) => say(item, each.text));
}

// What was declared before this page listened, and what a new phase has ended.
async function askFacts(visit) {
  const key = `${visit.visit}/${visit.phase}`;
  if (!linked || asked === key) return;
  asked = key;
  const reply = await ask("visit-show", {});
  if (!reply.ok || !reply.data || reply.data.visit !== visit.visit) { asked = ""; return; }
  for (const [id, told] of Object.entries(reply.data.systems || {})) job.declared[id] = told.declared;
  draw();
}

function showQuestions() {
  const open = Object.values(job.questions).filter((each) => each.state === "open");
  $("questions").hidden = !open.length;
  keyed($("question-list"), open, (each) => each.id,
    (each) => make("div", { role: "group" }, make("p"), make("div", { class: "row" }, ...(each.choices || []).map((choice) =>
      make("button", { type: "button", onclick: () => order("answer", { question: each.id, answer: choice.id }) }, choice.text)))),
    (element, each) => { say(element.querySelector("p"), each.text); element.setAttribute("aria-label", each.text); });
}

// A point by the sheet's own title, which is in the station's language.
function titleOf(at) {
  const cut = at.indexOf("/");
  const its = job.systems[at.slice(0, cut)];
  const id = at.slice(cut + 1);
  const item = ((its && its.worklist && its.worklist.items) || []).find((each) => each.kind === "point" && each.id === id);
  return item ? item.title : id.replace(/_/g, " ");
}

function showInstruments() {
  const all = Object.values(job.instruments).sort((a, b) => a.instrument.localeCompare(b.instrument));
  keyed($("instrument-list"), all, (each) => each.instrument, buildInstrument, (element, each) => {
    renewPlacing(element, each);
    const battery = each.battery === undefined || each.battery === null ? "" : t(", battery {n} %", { n: Math.round(each.battery) });
    const where = Object.values(each.placement || {}).map(titleOf).join(", ");
    const dueDates = Object.values(each.calibration_due || {});
    const calibration = dueDates.length ? t("; calibration due {date}", { date: dueDates.sort()[0] }) : "";
    say(element.querySelector("p"), `${each.instrument}: ${t(each.state)}${each.reason ? `, ${t(REASON_WORD[each.reason] || each.reason)}` : ""}${battery}${where ? t("; at {where}", { where }) : ""}${calibration}`);
  });
}

// Moving a channel, and putting right where it was said to be: the second takes back what had settled there.
function buildInstrument(each) {
  const channel = make("select", {});
  const point = make("select", {});
  const place = (right) => {
    const [name] = channel.value.split("|");
    const [system, where] = point.value ? [point.value.slice(0, point.value.indexOf("/")), point.value.slice(point.value.indexOf("/") + 1)] : ["", ""];
    const args = { instrument: each.instrument, channel: name, system, point: where };
    if (right) args.supersedes = job.placed[`${each.instrument}/${name}`] || 0;
    order("place", args);
  };
  return make("div", {}, make("p"), make("details", { "data-part": "placing" },
    make("summary", {}, t("Place or put right: {instrument}", { instrument: each.instrument })),
    make("label", {}, make("span", {}, t("Channel")), channel),
    make("label", {}, make("span", {}, t("Where it is")), point),
    make("div", { class: "row" },
      make("button", { type: "button", onclick: () => place(false) }, t("It is there now")),
      make("button", { type: "button", class: "plain", onclick: () => place(true) }, t("It was there all along")))));
}

function renewPlacing(element, each) {
  const placing = element.querySelector("[data-part=placing]");
  const channels = Object.keys(each.channels || {});
  placing.hidden = !job.visit || job.visit.state !== "open" || !channels.length;
  if (placing.hidden) return;
  const [channel, point] = placing.querySelectorAll("select");
  choices(channel, channels.map((name) => [name, name.replace(/_/g, " ")]));
  const many = Object.keys(job.systems).length > 1;
  const points = Object.entries(job.systems).flatMap(([id, its]) => ((its.worklist && its.worklist.items) || [])
    .filter((item) => item.kind === "point")
    .map((item) => [`${id}/${item.id}`, many ? `${id}: ${item.title}` : item.title]));
  choices(point, [["", t("off the wire, nowhere")], ...new Map(points).entries()]);
}

function showForms() {
  const systems = Object.keys(job.systems).map((id) => [id, (job.visit.systems[id] && job.visit.systems[id].title) || id]);
  for (const form of ["enter-form", "observe-form"]) choices($(form).elements.system, systems);
  const its = job.systems[$("enter-form").elements.system.value];
  const points = its && its.worklist ? its.worklist.items.filter((item) => item.kind === "point") : [];
  choices($("enter-form").elements.point, [...new Map(points.map((item) => [item.id, item.title])).entries()]);
  showObserved($("observed"), job.observations);
  showWanted($("wanted"), job.visit, job.observations, order);
}

function showClosing(visit) {
  const at = PHASES.indexOf(visit.phase);
  keyed($("phases"), PHASES, (phase) => phase,
    (phase) => make("button", { type: "button", class: "plain", onclick: () => goOn("phase", { phase }, "force-phase") }),
    (button, phase) => {
      button.setAttribute("aria-pressed", phase === visit.phase);
      say(button, `${phase === visit.phase ? "▸ " : PHASES.indexOf(phase) < at ? "✓ " : ""}${t(phase.replace("_", " "))}`);
    });
  const missing = Object.entries(job.systems).flatMap(([id, its]) => ((its.worklist && its.worklist.missing) || []).map((text) => `${id}: ${text}`));
  $("missing-fold").hidden = !missing.length;
  say($("missing-head"), t("Still missing before it can be closed: {n}", { n: missing.length }));
  if (refused) showWants($("refused-wants"), refused.wants, order);
  if ($("missing-fold").open) showWants($("missing"), missing, order);
}

// What the station refused, with what it misses, and the way on all the same for who answers for it.
async function goOn(verb, args, force) {
  const reply = await order(verb, args, true);
  refused = reply.ok || reply.silent ? null : { verb: force, args, wants: wantsOf(reply.text) };
  $("refused").hidden = !refused;
  if (!refused) return;
  say($("refused-head"), verb === "phase" ? t("Not yet: {phase}. Missing:", { phase: t(args.phase.replace("_", " ")) }) : t("Not closed yet. Missing:"));
  showWants($("refused-wants"), refused.wants, order);
  $("force-form").elements.reason.value = "";
  $("refused").scrollIntoView({ block: "nearest" });
  $("refused-head").focus();
}

function showKnown() {
  const known = session.systems || [];
  $("known-systems").hidden = !known.length;
  $("known-list").replaceChildren(...known.map((each) => make("label", { class: "tick" },
    make("input", { type: "checkbox", name: "known", value: each.id }), make("span", {}, `${each.title || each.id}, ${each.refrigerant}`))));
}

// --------------------------------------------------------------------------------------------------------- ask

async function order(verb, args, whole = false) {
  if (!linked) {
    const reply = { ok: false, silent: true };
    tell(t("No connection: this was not done. Do it again when the page is connected."));
    return whole ? reply : false;
  }
  const reply = await ask(verb, args);
  const refusal = whole && !reply.ok && !reply.silent; // shown where it was asked, not here
  tell(reply.silent ? t("The station did not answer; nothing is known to be done.") : refusal ? "" : reply.text, reply.ok ? 4000 : 12000);
  return whole ? reply : reply.ok;
}

let toldTimer = 0;
function tell(text, stays = 12000) {
  say($("said"), text);
  clearTimeout(toldTimer);
  toldTimer = setTimeout(() => say($("said"), ""), stays);
}

function press(what, system, item) {
  if (what === "plot") {
    $("plot-what").value = `${system}/${item.id}`;
    show();
    $("plots").scrollIntoView();
    $("plot-what").focus();
  } else if (what === "enter") {
    const form = $("enter-form").elements;
    form.system.value = system;
    showForms();
    form.point.value = item.id;
    $("write").scrollIntoView();
    form.value.focus();
  } else if (what === "skipped") {
    askWhy(system, item);
  } else order("task", { task: item.id, state: what, system });
}

// A task is skipped with a reason; the dialog is the browser's own, so that focus stays in it and Escape leaves it.
let skipping = null;
function askWhy(system, item) {
  skipping = { task: item.id, state: "skipped", system };
  say($("skip-what"), item.title);
  $("skip-form").reset();
  $("skip").showModal();
}
$("skip-form").addEventListener("submit", (event) => {
  event.preventDefault();
  $("skip").close();
  order("task", { ...skipping, note: event.target.elements.note.value.trim() });
});
$("skip-leave").addEventListener("click", () => $("skip").close());

$("speak").addEventListener("click", (event) => {
  const on = switchVoice(event.currentTarget.getAttribute("aria-pressed") !== "true");
  event.currentTarget.setAttribute("aria-pressed", on);
});
$("again").addEventListener("click", () => order("cues", { repeat: true }));
$("level").addEventListener("change", (event) => order("cues", { level: event.target.value }));
$("plot-what").addEventListener("change", show);
$("enter-form").elements.system.addEventListener("change", showForms);

$("open-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target.elements;
  const known = [...$("known-list").querySelectorAll("input:checked")].map((box) => ({ id: box.value }));
  const fresh = form.id.value ? [{ id: form.id.value, refrigerant: form.refrigerant.value, metering_device: form.metering_device.value }] : [];
  await order("visit-open", { visit: form.visit.value, systems: [...known, ...fresh] });
});

$("enter-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target.elements;
  if (await order("enter", { point: form.point.value, value: form.value.value, system: form.system.value })) form.value.value = "";
});

$("listen").addEventListener("click", () => {
  tell(t("Say the number and its unit."));
  listen(document.documentElement.lang, (text) => { $("enter-form").elements.value.value = text; tell(t("Understood: {text}. Press Enter to keep it.", { text })); }, tell);
});

$("observe-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target.elements;
  const file = form.photo.files[0];
  if (!file && !form.text.value && !form.sign.value) return tell(t("Choose, write or photograph what you see first."));
  const wants = [...form.wants].filter((box) => box.checked).map((box) => box.value);
  const args = { system: form.system.value, sign: form.sign.value, text: form.text.value, urgency: form.urgency.value, wants };
  try {
    if (file) args.photo = await send(await smaller(file), (part, parts) => tell(t("Sending the photo, part {part} of {parts}", { part: part + 1, parts })));
  } catch (error) {
    return tell(error.message || t("this file is no photo that the page can read"));
  }
  if (await order("observe", args)) event.target.reset();
  return undefined;
});

// what is usually wanted is ticked with what is seen, and a hand may say otherwise
$("observe-form").elements.sign.addEventListener("change", (event) => {
  const seen = (session.signs || []).find((sign) => sign.id === event.target.value);
  for (const box of $("observe-form").elements.wants) box.checked = Boolean(seen && (seen.wants || []).includes(box.value));
});

$("close-form").addEventListener("submit", (event) => { event.preventDefault(); goOn("visit-close", {}, "force-close"); });
$("force-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const reason = event.target.elements.reason.value.trim();
  if (!reason) tell(t("Give the reason first; it goes on record."));
  else if (refused) goOn(refused.verb, { ...(refused.args.phase ? { phase: refused.args.phase } : {}), reason }, refused.verb);
});
$("said").addEventListener("click", () => tell("")); // it may cover what a hand wants to press
$("facts-system").addEventListener("change", show);
$("missing-fold").addEventListener("toggle", show);
$("sheet").addEventListener("toggle", () => draw(), true); // a fold that was opened is brought up to date
$("bar").addEventListener("click", (event) => { event.preventDefault(); $("next").scrollIntoView(); });
// what is next stays in view: as a bar, as soon as its own section is not
function showBar() {
  const { bottom } = $("next-do").getBoundingClientRect();
  $("bar").hidden = bottom > 0 || !job.visit || job.visit.state !== "open";
}
addEventListener("scroll", showBar, { passive: true });

start();
