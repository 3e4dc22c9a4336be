// One visit: how far it is, what was found, verdicts in sentences, settled values, plots, and what people saw.
import { choices, keyed, make, say } from "../shared/dom.js";
import { t } from "../shared/words.js";
import { address, ask, askAll } from "./ask.js";
import { known, online, silence } from "./known.js";
import { clearPlot, live, showPlot } from "./plot.js";
import { clock, closedWords, momentWords, once, sinceWords } from "./when.js";
import { aboutWords, farWords, jobWords, plural, progressWords, silentWords, technicianWords, upper, wantLines } from "./words.js";

const $ = (id) => document.getElementById(id);
const PHASES = ["at_rest", "before", "work", "drying", "after"];
const FIRST = ["fail", "undecided", "advisory", "pass", "not_applicable"];
const RUN_WORD = {
  stopped: "it stands", starting: "it is starting", running: "it is running", defrost: "it defrosts", unknown: "it is in a state that nobody knows",
};
const VERDICT_WORD = {
  pass: "within its limits", fail: "outside its limits", undecided: "cannot be decided", advisory: "advice only",
  not_applicable: "cannot be checked here",
};
const AT_WORD = { at_rest: "at rest", before: "before the work", work: "at work", drying: "while drying", after: "after the work" };
const NOTHING_FOUND = "nothing_found"; // the finding that says that all lies where a sound system's would
let open = null; // what is shown: station, visit, what was asked and heard of it
let dirty = false;

const VALVE_WORD = { txv: "thermostatic expansion valve", eev: "electronic expansion valve", fixed_orifice: "fixed orifice", capillary: "capillary tube" };
const PLOT_FIRST = ["total_superheat", "subcooling", "split", "vapor_service_pressure", "supply_air_temperature"];
const ENDED_MS = 8000; // the last blocks have come by then, mostly the seal too
const CLEARED_MS = 500; // the broker keeps nothing of it any more: all of it is at the shop
const LOOK_AGAIN_MS = 20000; // what is held grows, and the seal may come at any moment

export async function openVisit(station, visit, session) {
  const key = `${station}/${visit}`;
  if (open && open.key === key) return;
  closeVisit();
  const its = open = {
    key, station, visit, detail: null, missing: "", notes: session.notes, settled: new Map(), checks: new Map(), findings: new Map(),
    runs: new Map(), names: [], seen: [], going: false, told: false, timer: 0,
  };
  dirty = true;
  $("visit").dataset.head = jobWords(station, visit);
  await askRecord(its);
  lookAgainIn(its, LOOK_AGAIN_MS);
}

function lookAgainIn(its, ms) {
  clearTimeout(its.timer);
  if (open === its && !complete(its.detail)) its.timer = setTimeout(() => lookAgain(its), ms);
}

const complete = (detail) => Boolean(detail && ["sealed", "removed"].includes(detail.about.state));

// Until the record is complete: how much of it there is, and all of it once its state is another.
async function lookAgain(its) {
  try {
    const detail = await ask(`/visits/${its.station}/${its.visit}`);
    if (open !== its) return;
    const state = its.detail ? its.detail.about.state : "";
    its.detail = detail;
    if (detail.about.state !== state) { clearPlot(); await askRecord(its); }
    dirty = true;
    showVisit(false);
  } catch { /* nothing of it has come yet, or the database is away: the next time */ }
  lookAgainIn(its, LOOK_AGAIN_MS);
}

async function askRecord(its) {
  const { station, visit } = its;
  const at = `/visits/${station}/${visit}`;
  its.missing = "";
  try {
    its.detail = await ask(at);
    const [settled, checks, findings, names] = await Promise.all([
      askAll(`${at}/settled`, {}, "settled", 2000), askAll(`${at}/checks`, {}, "checks", 2000), askAll(`${at}/findings`, {}, "findings", 1000),
      ask(`${at}/names`),
    ]);
    for (const row of settled) keep(its.settled, `${row.system}/${row.phase}/${row.name}`, row);
    for (const row of checks) keep(its.checks, `${row.system}/${row.phase}/${row.name}`, row);
    for (const row of findings) keep(its.findings, `${row.system}/${row.phase}/${row.id}`, row);
    its.names = names.names;
    if (its.notes) {
      const heard = its.seen;
      its.seen = await askAll(`${at}/observations`, {}, "observations", 500);
      its.seen.push(...heard.filter((live) => !its.seen.some((row) => row.seq === live.seq)));
    }
  } catch (error) {
    its.missing = error.status === 404 ? t("Nothing of its record has reached the shop yet.") : `${t("Its record cannot be read now.")} ${error.message}`;
  }
  its.ready = true;
  if (open === its) { dirty = true; showVisit(true); }
}

export function closeVisit() {
  if (open) clearTimeout(open.timer);
  open = null;
  clearPlot();
}

function keep(table, key, row) {
  const before = table.get(key);
  if (!before || row.seq >= before.seq) table.set(key, row);
}

const nameOf = (level) => level.replace(/-(\d+)$/, ".$1");

// A live message of the visit that is open.
export function takeDetail(levels, message) {
  if (!open) return;
  const [system, second, third, fourth] = levels;
  if (system === "observation") {
    if (message && !open.seen.some((row) => row.seq === message.seq)) { open.seen.push(message); dirty = true; }
    return;
  }
  if (second === "now" && message) { live(system, message); return; }
  if (second === "run") { if (message) open.runs.set(system, message); }
  else if (!message) return; // kept messages are cleared when the record is complete; the record tells the rest
  else if (third === "settled") keep(open.settled, `${system}/${second}/${nameOf(fourth)}`, message);
  else if (third === "check") keep(open.checks, `${system}/${second}/${nameOf(fourth)}`, message);
  else if (third === "finding") keep(open.findings, `${system}/${second}/${fourth}`, message);
  else return;
  dirty = true;
}

export function showVisit(anew) {
  if (!open) return;
  const its = known.visits.get(open.key);
  const version = its ? its.version : -1;
  if (!anew && !dirty && open.version === version) return;
  dirty = false;
  open.version = version;
  const told = its ? its.told : fromRecord(open.detail);
  const going = Boolean(its && its.told.state === "open");
  // what closed it is in the record alone
  if (open.told && !its) lookAgainIn(open, CLEARED_MS);
  else if (open.going && !going) lookAgainIn(open, ENDED_MS);
  open.going = going;
  open.told = Boolean(its);
  showStanding(its, told);
  showWants(told);
  showSystems(told);
  showSeen();
  showRecord();
  const names = open.names.map(([system, name, title]) => [`${system}/${name}`, Object.keys((told && told.systems) || {}).length > 1 ? `${systemTitle(told, system)}: ${upper(t(title))}` : upper(t(title))]);
  $("plots").hidden = !names.length;
  choices($("plot-what"), names);
  if (names.length && !open.chosen) {
    open.chosen = true;
    const first = PLOT_FIRST.flatMap((name) => open.names.filter((each) => each[1] === name))[0] || open.names[0];
    $("plot-what").value = `${first[0]}/${first[1]}`;
  }
  if (names.length) showPlot(open, $("plot-what").value, $("plot"), $("plot-words"));
}

// The same shape as the live message, of a visit that nobody speaks of any more.
function fromRecord(detail) {
  if (!detail) return null;
  const about = detail.about;
  return {
    state: about.state === "open" ? "open" : "closed", phase: about.phase, technician: about.technician,
    opened: about.opened_at ? Date.parse(about.opened_at) / 1000 : 0,
    systems: Object.fromEntries(about.systems.map((system) => [system.id, system])), wanted: detail.wants,
  };
}

function systemTitle(told, id) {
  return (told && told.systems && told.systems[id] && told.systems[id].title) || id;
}

function showStanding(its, told) {
  if (!told) {
    say($("visit-lead"), open.ready ? t("Nothing is known of this visit.") : t("Looking."));
    say($("visit-small"), open.missing);
    return;
  }
  const quiet = its ? silence(its.station) : 0;
  const when = open.detail && open.detail.about.closed_at ? Date.parse(open.detail.about.closed_at) / 1000 : 0;
  say($("visit-lead"), quiet && told.state === "open" ? silentWords(told, quiet)
    : told.state === "open" ? farWords(told) : closedWords(when, Date.now() / 1000));
  say($("visit-small"), upper([
    technicianWords(told.technician), sinceWords(told.opened, Date.now() / 1000), progressWords(told),
    its && told.state === "open" && !online(its.station) ? t("the station is off the air") : "", open.missing,
  ].filter(Boolean).join("; ")));
}

function showWants(told) {
  const lines = told ? wantLines(told) : [];
  $("visit-wants").hidden = !lines.length;
  keyed($("visit-wants").querySelector("ul"), lines, (line) => line.key, () => make("li"), (item, line) => say(item, line.text));
}

function showSystems(told) {
  const ids = new Set(Object.keys((told && told.systems) || {}));
  for (const table of [open.settled, open.checks, open.findings]) for (const row of table.values()) ids.add(row.system);
  keyed($("visit-systems"), [...ids].map((id) => ({ id })), (each) => each.id, buildSystem, (element, { id }) => renewSystem(element, told, id));
}

function buildSystem({ id }) {
  const table = make("table", { role: "table", class: "values sheet" },
    make("thead", { role: "rowgroup" }, make("tr", { role: "row" }, ...[t("Value"), t("Settled at"), t("When")].map((head) => make("th", { role: "columnheader", scope: "col" }, head)))),
    make("tbody", { role: "rowgroup" }));
  return make("section", { class: "system", "aria-labelledby": `of-${id}` },
    make("h2", { id: `of-${id}` }), make("p", { class: "hint" }),
    make("h3", {}, t("What was found")), make("ul", { class: "verdicts", "data-part": "findings" }),
    make("h3", {}, t("What the readings say")), make("ul", { class: "verdicts", "data-part": "checks" }),
    make("details", { "data-part": "passed" }, make("summary"), make("ul", { class: "verdicts" })),
    make("details", { "data-part": "values" }, make("summary"), table));
}

function renewSystem(element, told, id) {
  const about = (told && told.systems && told.systems[id]) || {};
  say(element.querySelector("h2"), about.title || id);
  const run = open.runs.get(id);
  const plate = about.nameplate || {};
  say(element.querySelector(".hint"), [
    about.refrigerant, t(VALVE_WORD[about.metering_device] || ""), plate.serial ? t("serial number {serial}", { serial: plate.serial }) : "",
    run ? `${t(RUN_WORD[run.state] || run.state)}${run.mode ? ` (${t(run.mode)})` : ""}` : "",
  ].filter(Boolean).join(", "));
  const of = (table) => [...table.values()].filter((row) => row.system === id);
  const findings = of(open.findings).filter((row) => row.state === "open").sort((a, b) => byPhase(a, b) || a.rank - b.rank);
  list(element.querySelector("[data-part=findings]"), findings.length ? findings.map((row) => ({
    key: `${row.phase}/${row.id}`,
    text: findingLine(row),
  })) : [{ key: "none", text: t("Nothing so far.") }]);
  // the latest phase's verdict of each check stands; those that pass are one step away
  const latest = new Map();
  for (const row of of(open.checks).sort((a, b) => byPhase(b, a))) latest.set(row.name, row);
  const verdicts = [...latest.values()].sort((a, b) => FIRST.indexOf(a.state) - FIRST.indexOf(b.state) || a.title.localeCompare(b.title));
  const quiet = (row) => row.state === "pass" || row.state === "not_applicable";
  const loud = verdicts.filter((row) => !quiet(row));
  list(element.querySelector("[data-part=checks]"), loud.length ? loud.map(verdictLine) : [{ key: "none", text: verdicts.length ? t("Nothing is outside its limits.") : t("Nothing has been judged yet.") }]);
  const passed = element.querySelector("[data-part=passed]");
  const calm = verdicts.filter(quiet);
  passed.hidden = !calm.length;
  say(passed.querySelector("summary"), plural(calm.length, "1 check within its limits, or not for this system", "{n} checks within their limits, or not for this system"));
  list(passed.querySelector("ul"), calm.map(verdictLine));
  const values = of(open.settled).filter((row) => row.settled && row.text).sort((a, b) => byPhase(a, b) || a.title.localeCompare(b.title));
  const fold = element.querySelector("[data-part=values]");
  fold.hidden = !values.length;
  say(fold.querySelector("summary"), plural(values.length, "1 settled value", "{n} settled values"));
  keyed(fold.querySelector("tbody"), values, (row) => `${row.phase}/${row.name}`,
    () => make("tr", { role: "row" }, ...[0, 1, 2].map(() => make("td", { role: "cell" }))), (line, row) => {
      say(line.children[0], t(row.title));
      say(line.children[1], row.text);
      const at = row.at ? Date.parse(row.at) / 1000 : row.t;
      say(line.children[2], `${phaseName(row.phase)}${at ? `, ${clock(at)}` : ""}`);
    });
}

const phaseName = (phase) => t(AT_WORD[phase] || phase);
const byPhase = (a, b) => PHASES.indexOf(b.phase) - PHASES.indexOf(a.phase);

function sentence(text) {
  const plain = (text || "").trim();
  if (!plain) return "";
  return `${upper(plain)}${/[.!?]$/.test(plain) ? "" : "."}`;
}

function findingLine(row) {
  const meaning = sentence(t(row.meaning || ""));
  if (row.id === NOTHING_FOUND) return `${t("No sign of a fault in what was measured ({when}).", { when: phaseName(row.phase) })} ${meaning}`.trim();
  const next = row.next_step ? t("Next: {text}", { text: sentence(t(row.next_step)) }) : "";
  return [`${t(row.title)} (${t(row.confidence || "possible")}, ${phaseName(row.phase)}).`, meaning, next].filter(Boolean).join(" ");
}

function verdictLine(row) {
  const sign = { pass: "✓ ", fail: "! ", undecided: "? ", advisory: "i ", not_applicable: "– " }[row.state] || "";
  // a reason often begins with the verdict and names the value: neither is said twice
  const state = VERDICT_WORD[row.state] || row.state;
  const reason = (row.reason || "").replace(new RegExp(`^${state}[:.;,] *`, "i"), "");
  const value = row.text && !reason.includes(row.text) ? ` ${row.text}` : "";
  return {
    key: `${row.phase}/${row.name}`,
    text: `${sign}${upper(t(row.title))}${value}: ${t(state)} (${phaseName(row.phase)}).${reason ? ` ${sentence(t(reason))}` : ""}`,
  };
}

function list(parent, rows) {
  keyed(parent, rows, (row) => row.key, () => make("li"), (item, row) => say(item, row.text));
}

function showSeen() {
  $("seen").hidden = !open.seen.length;
  const at = open;
  keyed($("seen").querySelector("ul"), open.seen, (row) => String(row.seq), (row) => make("li", {}, make("p"), row.photo
    ? make("a", { href: address(`/visits/${at.station}/${at.visit}/photos/${row.photo}`), target: "_blank", rel: "noopener" }, t("Its photo")) : ""),
  (item, row) => say(item.firstElementChild, [row.withdraws ? t("No longer wanted") : "", row.withdraws ? t(row.title || "") : upper(t(row.title || "")), row.text,
    row.about && !row.title ? aboutWords(row.about) : ""].filter(Boolean).join("; ") || t("A photo")));
}

function showRecord() {
  const detail = open.detail;
  say($("record-words"), !detail ? open.missing : [
    t("{blocks} blocks with {entries} entries are held.", { blocks: detail.blocks, entries: detail.through }),
    detail.about.state === "sealed" ? once(t("Sealed; the seal came {when}.", { when: momentWords(Date.parse(detail.about.sealed_at) / 1000) }))
      : detail.about.state === "removed" ? t("Its readings were removed after their time.")
      : detail.about.state === "open" ? t("The visit goes on.") : t("The seal is still to come."),
    detail.about.readings_removed_at && detail.about.state !== "removed" ? t("Its readings were removed after their time.") : "",
  ].filter(Boolean).join(" "));
  const reports = Boolean(detail && open.notes && detail.blocks);
  $("report").hidden = !reports;
  if (reports && $("report").dataset.of !== open.key) {
    $("report").dataset.of = open.key;
    const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
    $("report").replaceChildren(make("a", { href: address(`/visits/${open.station}/${open.visit}/report?zone=${encodeURIComponent(zone)}&language=${document.documentElement.lang}`), target: "_blank", rel: "noopener" }, t("The report, made from the record (some seconds)")));
  }
}

$("plot-what").addEventListener("change", () => { if (open) showPlot(open, $("plot-what").value, $("plot"), $("plot-words")); });
