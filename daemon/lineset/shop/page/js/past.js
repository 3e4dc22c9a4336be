// Looking up visits by system, station and day.
import { keyed, make, say } from "../shared/dom.js";
import { t } from "../shared/words.js";
import { ask } from "./ask.js";
import { momentWords } from "./when.js";
import { jobWords, plural, technicianWords } from "./words.js";

const $ = (id) => document.getElementById(id);
const STATE = { open: "still open", closed: "closed, its seal is still to come", sealed: "closed and sealed", removed: "removed after its time" };
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
  say($("look-words"), t("Looking."));
  try {
    const page = await ask("/visits", { ...asked, cursor: found.length ? next : "" });
    found.push(...page.visits);
    next = page.next;
    say($("look-words"), !found.length ? t("The shop holds no such visit.") : next ? t("The latest {n}.", { n: found.length }) : plural(found.length, "1 visit.", "{n} visits, all there are."));
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
  return make("tr", { role: "row" },
    cell(row.opened_at ? momentWords(Date.parse(row.opened_at) / 1000) : ""),
    cell(make("a", { class: "who", href: `#/visit/${row.station}/${row.visit}` }, jobWords(row.station, row.visit)), row.technician ? make("p", {}, technicianWords(row.technician)) : ""),
    cell(row.systems.map((system) => [system.title || system.id, system.refrigerant].filter(Boolean).join(", ")).join("; ")),
    cell(t(STATE[row.state] || row.state)));
}

$("more").addEventListener("click", older);
