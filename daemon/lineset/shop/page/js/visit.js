// One visit: how far it is, what was found, verdicts in sentences, settled values, plots, and what people saw.
import { choices, keyed, make, say } from "../shared/dom.js";
import { address, ask, askAll } from "./ask.js";
import { known, online, silence } from "./known.js";
import { clearPlot, live, showPlot } from "./plot.js";
import { VERDICT, clock, leftWords, phaseWords, progressWords, sinceWords, spanWords, wantLines } from "./words.js";

const $ = (id) => document.getElementById(id);
const PHASES = ["at_rest", "before", "work", "drying", "after"];
const FIRST = ["fail", "undecided", "advisory", "pass", "not_applicable"];
const RUN = { stopped: "stands", starting: "is starting", running: "is running", defrost: "defrosts", unknown: "is in a state that nobody knows" };
let open = null; // what is shown: station, visit, what was asked and heard of it
let dirty = false;

const VALVE = { txv: "thermostatic expansion valve", eev: "electronic expansion valve", fixed_orifice: "fixed orifice", capillary: "capillary tube" };
const PLOT_FIRST = ["total_superheat", "subcooling", "split", "vapor_service_pressure", "supply_air_temperature"];
const ENDED_MS = 8000; // the last blocks and the seal have come by then

export async function openVisit(station, visit, session) {
  const key = `${station}/${visit}`;
  if (open && open.key === key) return;
  closeVisit();
  const its = open = {
    key, station, visit, detail: null, missing: "", notes: session.notes, settled: new Map(), checks: new Map(), findings: new Map(),
    runs: new Map(), names: [], seen: [], going: false,
  };
  dirty = true;
  $("visit").dataset.head = `${station}, job ${visit}`;
  await askRecord(its);
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
    its.missing = error.status === 404 ? "Nothing of its record has reached the shop yet." : `Its record cannot be read now. ${error.message}`;
  }
  its.ready = true;
  if (open === its) { dirty = true; showVisit(true); }
}

export function closeVisit() {
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
  if (open.going && !going) {
    const ended = open; // what closed it is in the record alone
    setTimeout(() => { if (open === ended) { clearPlot(); askRecord(ended); } }, ENDED_MS);
  }
  open.going = going;
  showStanding(its, told);
  showWants(told);
  showSystems(told);
  showSeen();
  showRecord();
  const names = open.names.map(([system, name, title]) => [`${system}/${name}`, Object.keys((told && told.systems) || {}).length > 1 ? `${systemTitle(told, system)}: ${title}` : title]);
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
    say($("visit-lead"), open.ready ? "Nothing is known of this visit." : "Looking.");
    say($("visit-small"), open.missing);
    return;
  }
  const quiet = its ? silence(its.station) : 0;
  const left = leftWords(told);
  const when = open.detail && open.detail.about.closed_at ? Date.parse(open.detail.about.closed_at) / 1000 : 0;
  say($("visit-lead"), quiet && told.state === "open" ? `⚑ Silent for ${spanWords(quiet)}. Last heard of: ${phaseWords(told.phase).toLowerCase()}.`
    : told.state === "open" ? `${phaseWords(told.phase)}${left ? `; ${left}` : ""}.`
    : `Closed${when ? ` at ${clock(when)}` : ""}.`);
  say($("visit-small"), [
    told.technician ? `Technician ${told.technician}` : "", sinceWords(told.opened, Date.now() / 1000), progressWords(told),
    its && told.state === "open" && !online(its.station) ? "the station is off the air" : "", open.missing,
  ].filter(Boolean).join("; "));
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
    make("thead", { role: "rowgroup" }, make("tr", { role: "row" }, ...["Value", "Settled at", "When"].map((head) => make("th", { role: "columnheader", scope: "col" }, head)))),
    make("tbody", { role: "rowgroup" }));
  return make("section", { class: "system", "aria-labelledby": `of-${id}` },
    make("h2", { id: `of-${id}` }), make("p", { class: "hint" }),
    make("h3", {}, "What was found"), make("ul", { class: "verdicts", "data-part": "findings" }),
    make("h3", {}, "What the readings say"), make("ul", { class: "verdicts", "data-part": "checks" }),
    make("details", { "data-part": "passed" }, make("summary"), make("ul", { class: "verdicts" })),
    make("details", { "data-part": "values" }, make("summary"), table));
}

function renewSystem(element, told, id) {
  const about = (told && told.systems && told.systems[id]) || {};
  say(element.querySelector("h2"), about.title || id);
  const run = open.runs.get(id);
  const plate = about.nameplate || {};
  say(element.querySelector(".hint"), [
    about.refrigerant, VALVE[about.metering_device] || "", plate.serial ? `serial number ${plate.serial}` : "",
    run ? `it ${RUN[run.state] || run.state}${run.mode ? ` (${run.mode})` : ""}` : "",
  ].filter(Boolean).join(", "));
  const of = (table) => [...table.values()].filter((row) => row.system === id);
  const findings = of(open.findings).filter((row) => row.state === "open").sort((a, b) => byPhase(a, b) || a.rank - b.rank);
  list(element.querySelector("[data-part=findings]"), findings.length ? findings.map((row) => ({
    key: `${row.phase}/${row.id}`,
    text: `${row.title} (${row.confidence || "possible"}, ${phaseName(row.phase)}). ${sentence(row.meaning)}${row.next_step ? ` Next: ${sentence(row.next_step)}` : ""}`,
  })) : [{ key: "none", text: "Nothing so far." }]);
  // the latest phase's verdict of each check stands; those that pass are one step away
  const latest = new Map();
  for (const row of of(open.checks).sort((a, b) => byPhase(b, a))) latest.set(row.name, row);
  const verdicts = [...latest.values()].sort((a, b) => FIRST.indexOf(a.state) - FIRST.indexOf(b.state) || a.title.localeCompare(b.title));
  const quiet = (row) => row.state === "pass" || row.state === "not_applicable";
  const loud = verdicts.filter((row) => !quiet(row));
  list(element.querySelector("[data-part=checks]"), loud.length ? loud.map(verdictLine) : [{ key: "none", text: verdicts.length ? "Nothing is outside its limits." : "Nothing has been judged yet." }]);
  const passed = element.querySelector("[data-part=passed]");
  const calm = verdicts.filter(quiet);
  passed.hidden = !calm.length;
  say(passed.querySelector("summary"), calm.length === 1 ? "1 check within its limits, or not for this system" : `${calm.length} checks within their limits, or not for this system`);
  list(passed.querySelector("ul"), calm.map(verdictLine));
  const values = of(open.settled).filter((row) => row.settled && row.text).sort((a, b) => byPhase(a, b) || a.title.localeCompare(b.title));
  const fold = element.querySelector("[data-part=values]");
  fold.hidden = !values.length;
  say(fold.querySelector("summary"), values.length === 1 ? "1 settled value" : `${values.length} settled values`);
  keyed(fold.querySelector("tbody"), values, (row) => `${row.phase}/${row.name}`,
    () => make("tr", { role: "row" }, ...[0, 1, 2].map(() => make("td", { role: "cell" }))), (line, row) => {
      say(line.children[0], row.title);
      say(line.children[1], row.text);
      const at = row.at ? Date.parse(row.at) / 1000 : row.t;
      say(line.children[2], `${phaseName(row.phase)}${at ? `, ${clock(at)}` : ""}`);
    });
}

const phaseName = (phase) => ({ at_rest: "at rest", before: "before the work", work: "at work", drying: "while drying", after: "after the work" })[phase] || phase;
const byPhase = (a, b) => PHASES.indexOf(b.phase) - PHASES.indexOf(a.phase);

function sentence(text) {
  const plain = (text || "").trim();
  if (!plain) return "";
  return `${plain[0].toUpperCase()}${plain.slice(1)}${/[.!?]$/.test(plain) ? "" : "."}`;
}

function verdictLine(row) {
  const sign = { pass: "✓ ", fail: "! ", undecided: "? ", advisory: "i ", not_applicable: "– " }[row.state] || "";
  return {
    key: `${row.phase}/${row.name}`,
    text: `${sign}${sentence(row.title).replace(/\.$/, "")}${row.text ? ` ${row.text}` : ""}: ${VERDICT[row.state] || row.state} (${phaseName(row.phase)}).${row.reason ? ` ${sentence(row.reason)}` : ""}`,
  };
}

function list(parent, rows) {
  keyed(parent, rows, (row) => row.key, () => make("li"), (item, row) => say(item, row.text));
}

function showSeen() {
  $("seen").hidden = !open.seen.length;
  const at = open;
  keyed($("seen").querySelector("ul"), open.seen, (row) => String(row.seq), (row) => make("li", {}, make("p"), row.photo
    ? make("a", { href: address(`/visits/${at.station}/${at.visit}/photos/${row.photo}`), target: "_blank", rel: "noopener" }, "Its photo") : ""),
  (item, row) => say(item.firstElementChild, [row.title, row.text, row.about && !row.title ? `about ${row.about.replace(/_/g, " ")}` : ""].filter(Boolean).join("; ") || "A photo"));
}

function showRecord() {
  const detail = open.detail;
  say($("record-words"), !detail ? open.missing : [
    `${detail.blocks} blocks with ${detail.through} entries are held.`,
    detail.about.state === "sealed" ? `Sealed; the seal came ${new Date(detail.about.sealed_at).toLocaleString()}.` : detail.about.state === "removed" ? "Its readings were removed after their time." : "The seal is still to come.",
  ].join(" "));
  const reports = Boolean(detail && open.notes && detail.blocks);
  $("report").hidden = !reports;
  if (reports && $("report").dataset.of !== open.key) {
    $("report").dataset.of = open.key;
    const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
    $("report").replaceChildren(make("a", { href: address(`/visits/${open.station}/${open.visit}/report?zone=${encodeURIComponent(zone)}`), target: "_blank", rel: "noopener" }, "The report, made from the record (some seconds)"));
  }
}

$("plot-what").addEventListener("change", () => { if (open) showPlot(open, $("plot-what").value, $("plot"), $("plot-words")); });
