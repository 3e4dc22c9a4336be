// The page: who asks, which of its three sheets is open, and one drawing for many messages.
import { keyed, make, say } from "../shared/dom.js";
import { learn, t } from "../shared/words.js";
import { askAll, askWith, headers } from "./ask.js";
import { calibration, changed, connectedAnew, forgetUnseen, heardByRecord, known, online, openVisits, silence, take, takeNews } from "./known.js";
import { connect, disconnect, listenTo, named } from "./link.js";
import { lookUp, openPast } from "./past.js";
import { showSheet, summary } from "./sheet.js";
import { closeVisit, openVisit, showVisit, takeDetail } from "./visit.js";
import { dateWords, dayWords, speak } from "./when.js";
import { jobWords, plural, spanWords, upper, wantLines } from "./words.js";

const $ = (id) => document.getElementById(id);
const LOOK_MS = 15000; // silence grows by itself
const RECORD_MS = 300000; // what only the database knows is asked for again
const LIVE_FIRST_MS = 250; // the live sheet comes before what hangs below it
const NEWS_MS = 15000;
const SHOWN = 8; // lines of a list before its fold
const askForOne = () => t("Ask whoever keeps the shop's computer for a new one.");
const ENDED_MS = 8000; // a visit that ended: its last blocks are on record by then
let session = null;
let token = "";
let language = null; // the words of the page, on their way
let linked = false;
let due = false;
let way = "";
let fresh = true; // what is so when the page opens is no news
let leftOver = [];
let overByRecord = [];
let over = 0; // instruments past their calibration
let ended = 0; // how many had ended when the record was last asked
const flagged = new Set();

// How long it took to come so far: for who measures, in the browser's own list of marks.
const reached = new Set();
function mark(what) {
  if (reached.has(what)) return;
  reached.add(what);
  performance.mark(what);
}

// ------------------------------------------------------------------------------------------------------- start

async function start() {
  mark("script runs");
  const given = location.hash.length > 1 && !location.hash.startsWith("#/") ? location.hash.slice(1) : "";
  if (given) history.replaceState(null, "", `${location.pathname}#/`); // the token does not stay in the address bar
  token = given || sessionStorage.getItem("token") || "";
  language = learnLanguage();
  await enter();
}

// The reader's own choice, else the shop's language.
async function learnLanguage() {
  const chosen = localStorage.getItem("language") || "";
  let told = { language: "en", words: {} };
  try {
    told = await (await fetch(`words?language=${encodeURIComponent(chosen)}`)).json();
  } catch { /* what is wrong is said by the next question */ }
  learn(told.words, told.language);
  speak(told.language);
  document.title = t("Day sheet");
  $("language").value = told.language;
}

$("language").addEventListener("change", () => {
  localStorage.setItem("language", $("language").value);
  location.reload(); // this tab keeps its token
});

async function enter() {
  askWith({}, token);
  if (token) logInAtBroker(); // at once: by what a page is told of itself, the way is open
  let reply;
  try {
    [reply] = await Promise.all([fetch("session", { headers: headers() }), language]);
  } catch {
    await language;
    say($("link"), t("The shop's computer cannot be reached. Trying again."));
    setTimeout(enter, 3000);
    return;
  }
  if (!reply.ok) {
    disconnect();
    const problem = await reply.json().catch(() => ({}));
    logIn(token ? `${upper(problem.what ? t(problem.what) : t("the token was not taken"))}. ${askForOne()}` : "");
    return;
  }
  session = await reply.json();
  mark("let in by the server");
  sessionStorage.setItem("token", token);
  askWith(session, token);
  $("login").hidden = true;
  $("ways").hidden = false;
  if (!token) logInAtBroker();
  named(session.base);
  setTimeout(askRecord, LIVE_FIRST_MS);
  setInterval(askRecord, RECORD_MS);
  setInterval(() => { changed.all = true; draw(); }, LOOK_MS);
  turn();
}

function logInAtBroker() {
  connect(token, {
    heard: (levels, message, retained) => { take(levels, message, retained); draw(); },
    standing: (up) => {
      if (up && !linked) connectedAnew();
      if (up) mark("logged in at the broker");
      linked = up;
      draw();
    },
    settled: () => { fresh = false; forgetUnseen(); draw(); },
    refused: () => { if (session) logIn(`${t("The token holds no longer.")} ${askForOne()}`); }, // else the question who asks says so
  });
}

function logIn(why) {
  sessionStorage.removeItem("token");
  session = null;
  for (const id of ["day", "visit", "past", "ways"]) $(id).hidden = true;
  say($("login-why"), why);
  say($("link"), "");
  $("login").hidden = false;
  document.body.dataset.ready = "no";
  $("login-form").elements.token.focus();
}

$("login-form").addEventListener("submit", (event) => {
  event.preventDefault();
  token = event.target.elements.token.value.trim();
  event.target.reset();
  enter();
});

// What messages do not tell: what closed visits left over, calibrations of stations that are away, when each was heard.
async function askRecord() {
  try {
    const [wants, stations, past] = await Promise.all([
      askAll("/wants", { days: 14 }, "wants", 600), askAll("/stations", {}, "stations", 20000),
      askAll("/instruments", { standing: "over" }, "instruments", 600),
    ]);
    leftOver = wants.filter((want) => want.closed);
    overByRecord = past;
    heardByRecord(stations);
    changed.all = true;
    draw();
  } catch (error) {
    if (error.status === 401) logIn(`${t("The token holds no longer.")} ${askForOne()}`);
    // without the database the live sheet goes on
  }
}

// -------------------------------------------------------------------------------------------------------- ways

function turn() {
  if (!session) return;
  const [first, station, visit] = location.hash.replace(/^#\/?/, "").split("/").map(decodeURIComponent);
  const was = way;
  way = first === "visit" && visit ? "visit" : first === "past" ? "past" : "day";
  for (const id of ["day", "visit", "past"]) $(id).hidden = id !== way;
  for (const link of document.querySelectorAll("#ways a")) {
    if (link.dataset.way === way) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (way === "visit") {
    openVisit(station, visit, session);
    listenTo(station, visit, (levels, message) => { takeDetail(levels, message); draw(); }, session.notes);
  } else { closeVisit(); listenTo("", "", null); }
  if (way === "past") openPast();
  if (was && was !== way) { $("head").focus({ preventScroll: true }); scrollTo(0, 0); }
  changed.all = true;
  draw();
}
addEventListener("hashchange", turn);

// -------------------------------------------------------------------------------------------------------- draw

// Many messages, one drawing: at the next frame, or soon where the page is not looked at.
function draw() {
  if (due) return;
  due = true;
  if (document.hidden) setTimeout(show, 1000);
  else requestAnimationFrame(show);
}

function show() {
  due = false;
  if (!session) return;
  say($("link"), linked ? t("Connected.") : t("No connection; what is shown may be old. Trying again."));
  askAfterEnd();
  if (way === "day") showDay();
  else if (way === "visit") showVisit(changed.all);
  if (way !== "day") say($("head"), way === "past" ? t("Look up a visit") : $("visit").dataset.head || t("Visit"));
  showNews();
  document.body.dataset.ready = linked ? "yes" : "no";
}

// What a visit that ended left over is in the record alone from then on.
function askAfterEnd() {
  if (changed.ended === ended) return;
  ended = changed.ended;
  setTimeout(askRecord, ENDED_MS);
}

function showDay() {
  const now = Date.now() / 1000;
  say($("head"), t("Day sheet, {day}", { day: dayWords(now) }));
  const instruments = changed.all || changed.instruments;
  const all = instruments || changed.stations || changed.visits.size > 0;
  showSheet({ needing: part("needing"), going: part("going") }, $("none"), $("narrow").elements.text.value);
  if (!all) return;
  changed.stations = false;
  changed.instruments = false;
  const open = openVisits();
  if (open.length) mark("first visits shown");
  const silent = showSilent(open, now);
  if (instruments) over = showCalibration(new Date().toISOString().slice(0, 10));
  showLeftOver();
  showAway(open, now);
  $("narrow").hidden = open.length < 2 && !$("narrow").elements.text.value;
  const needing = open.filter((its) => (its.told.wanted || []).length || silent.has(its.station)).length;
  say($("summary"), summary({ open: open.length, needing, silent: silent.size, over }));
}

function part(name) {
  return { section: $(name), head: $(`${name}-head`), body: $(`${name}-rows`) };
}

function showSilent(open, now) {
  const silent = new Map();
  for (const its of open) {
    const quiet = silence(its.station, now);
    if (quiet) silent.set(its.station, { station: its.station, visit: its.visit, quiet });
  }
  $("silent").hidden = !silent.size;
  const rows = [...silent.values()].sort((a, b) => b.quiet - a.quiet);
  keyed($("silent-list"), rows, (row) => row.station, (row) => make("li", { class: "flag" }, make("a", { href: `#/visit/${row.station}/${row.visit}` })),
    (item, row) => say(item.firstElementChild, silentLine(row)));
  for (const row of rows) if (!flagged.has(row.station)) { flagged.add(row.station); if (!fresh) tell(t("{station} has been silent for {span}.", { station: row.station, span: spanWords(row.quiet) })); }
  for (const name of flagged) if (!silent.has(name)) flagged.delete(name);
  return silent;
}

function silentLine(row) {
  const fill = { station: row.station, span: spanWords(row.quiet), visit: row.visit };
  return online(row.station) ? t("⚑ {station} has been silent for {span}, with job {visit} open (it says that it is on the air).", fill)
    : t("⚑ {station} has been silent for {span}, with job {visit} open.", fill);
}

function showCalibration(today) {
  const rows = calibration(today).map((each) => ({ key: each.key, station: each.station, instrument: each.instrument, due: each.due }));
  const heard = new Set(rows.map((row) => row.key));
  for (const each of overByRecord) {
    const key = `${each.station}/${each.instrument}`;
    if (heard.has(key) || known.instruments.has(key)) continue;
    heard.add(key);
    rows.push({ key, station: each.station, instrument: each.instrument, due: each.calibration_due });
  }
  rows.sort((a, b) => a.due.localeCompare(b.due) || a.key.localeCompare(b.key));
  $("calibration").hidden = !rows.length;
  folded("calibration", rows, (row) => row.key, () => make("li"), (item, row) => {
    const past = row.due < today;
    item.className = past ? "flag" : "";
    say(item, past ? t("⚑ {instrument} of {station}: calibration ran out on {date}.", { ...row, date: dateWords(row.due) })
      : t("{instrument} of {station}: calibration is due on {date}.", { ...row, date: dateWords(row.due) }));
  });
  return rows.filter((row) => row.due < today).length;
}

function showLeftOver() {
  // of a visit that was just closed the broker still tells
  const fresh = [...known.visits.values()].filter((its) => its.told.state !== "open")
    .flatMap((its) => (its.told.wanted || []).map((want) => ({ ...want, station: its.station, visit: its.visit })));
  const told = new Set(leftOver.map((want) => `${want.station}/${want.visit}/${want.seq}`));
  const rows = [...fresh.filter((want) => !told.has(`${want.station}/${want.visit}/${want.seq}`)), ...leftOver.filter((want) => !isOpen(want))]
    .map((want) => ({ ...want, lines: wantLines({ wanted: [want], systems: {} }) }));
  $("later").hidden = !rows.length;
  folded("later", rows, (row) => `${row.station}/${row.visit}/${row.seq}`, (row) => make("li", {}, make("a", { href: `#/visit/${row.station}/${row.visit}` }, jobWords(row.station, row.visit)), " ", make("span")),
    (item, row) => {
      say(item.lastElementChild, row.lines.map((line) => line.text).join(" "));
    });
}

// A list whose first lines are shown, and the others once somebody asks for them.
function folded(name, rows, key, build, renew) {
  keyed($(`${name}-list`), rows.slice(0, SHOWN), key, build, renew);
  const fold = $(`${name}-fold`);
  const more = rows.slice(SHOWN);
  fold.hidden = !more.length;
  say(fold.querySelector("summary"), plural(more.length, "1 more", "{n} more"));
  if (fold.open) keyed(fold.querySelector("ul"), more, key, build, renew);
}

function isOpen(want) {
  const its = known.visits.get(`${want.station}/${want.visit}`);
  return Boolean(its && its.told.state === "open");
}

function showAway(open, now) {
  const busy = new Set(open.map((its) => its.station));
  const away = [...known.stations.values()].filter((its) => !busy.has(its.name) && !online(its.name)).sort((a, b) => a.name.localeCompare(b.name));
  $("away").hidden = !away.length;
  say($("away-words"), plural(away.length, "1 station without an open visit is not on the air.", "{n} stations without an open visit are not on the air."));
  if (!$("away-fold").open) return;
  keyed($("away-list"), away, (its) => its.name, () => make("li"), (item, its) =>
    say(item, its.heard ? t("{station}: last heard {span} ago", { station: its.name, span: spanWords(Math.max(0, now - its.heard)) }) : t("{station}: not heard of yet", { station: its.name })));
}

// -------------------------------------------------------------------------------------------------------- news

let newsTimer = 0;
function tell(text) {
  say($("news"), text);
  clearTimeout(newsTimer);
  newsTimer = setTimeout(() => say($("news"), ""), NEWS_MS);
}

function showNews() {
  const news = takeNews();
  if (!news.length) return;
  if (news.length > 2) { tell(t("{n} new wants of the shop.", { n: news.length })); return; }
  tell(news.map((each) => `${jobWords(each.station, each.visit)}. ${wantLines({ wanted: [each.want], systems: {} }).map((line) => line.text).join(" ")}`).join(" "));
}

// ------------------------------------------------------------------------------------------------------- hands

$("narrow").addEventListener("submit", (event) => event.preventDefault());
$("narrow").addEventListener("input", () => draw());
for (const name of ["away", "later", "calibration"]) $(`${name}-fold`).addEventListener("toggle", () => { changed.all = true; draw(); });
$("look").addEventListener("submit", (event) => { event.preventDefault(); lookUp(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) { due = false; draw(); } });

start();
