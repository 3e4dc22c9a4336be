// Looking up visits by system, station and day.
import { keyed, make, say } from "../shared/dom.js";
import { ask } from "./ask.js";

const $ = (id) => document.getElementById(id);
const STATE = { open: "open", closed: "closed, its seal is still to come", sealed: "closed and sealed", removed: "removed after its time" };
let found = [];
let next = null;
let asked = {};

export function openPast() {
  if (!found.length && !$("look-words").textContent) lookUp();
}

// A day as it is here, as a moment: the shop's day is not that of Greenwich.
function moment(day, after) {
  if (!day) return "";
  const [year, month, date] = day.split("-").map(Number);
  return new Date(year, month - 1, date + after).toISOString();
}

export async function lookUp() {
  const form = $("look").elements;
  asked = {
    system: form.system.value.trim(), station: form.station.value.trim(), state: form.state.value,
    from: moment(form.from.value, 0), to: moment(form.to.value, 1), limit: 50,
  };
  found = [];
  await older();
}

async function older() {
  say($("look-words"), "Looking.");
  try {
    const page = await ask("/visits", { ...asked, cursor: found.length ? next : "" });
    found.push(...page.visits);
    next = page.next;
    say($("look-words"), !found.length ? "The shop holds no such visit." : next ? `The latest ${found.length}.` : found.length === 1 ? "1 visit." : `${found.length} visits, all there are.`);
  } catch (error) {
    say($("look-words"), error.message);
    next = null;
  }
  show();
}

function show() {
  $("found").hidden = !found.length;
  $("more").hidden = !next;
  keyed($("found-rows"), found, (row) => `${row.station}/${row.visit}`, build, () => {});
}

function build(row) {
  const cell = (...parts) => make("td", { role: "cell" }, ...parts);
  const opened = row.opened_at ? new Date(row.opened_at) : null;
  return make("tr", { role: "row" },
    cell(opened ? opened.toLocaleString([], { year: "numeric", month: "short", day: "numeric", hour: "numeric", minute: "2-digit" }) : ""),
    cell(make("a", { class: "who", href: `#/visit/${row.station}/${row.visit}` }, `${row.station}, job ${row.visit}`), row.technician ? make("p", {}, `technician ${row.technician}`) : ""),
    cell(row.systems.map((system) => [system.title || system.id, system.refrigerant].filter(Boolean).join(", ")).join("; ")),
    cell(STATE[row.state] || row.state));
}

$("more").addEventListener("click", older);
