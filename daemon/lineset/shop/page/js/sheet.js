// The ruled sheet of visits: who needs something first, then who will be free next. Only rows that changed are touched.
import { keyed, make, say } from "../shared/dom.js";
import { t } from "../shared/words.js";
import { changed, known, online, openVisits, silence } from "./known.js";
import { sinceWords } from "./when.js";
import { farWords, foundLines, jobWords, plural, pressing, progressWords, silentWords, technicianWords, wantLines } from "./words.js";

const CALM = 100; // nothing is wanted
const BUCKET = 10; // minutes: a row does not change places for less
let shownWith = "";

const now = () => Date.now() / 1000;

function rank(its) {
  const silent = silence(its.station) > 0;
  const press = pressing(its.told, silent);
  return { press, free: press < CALM ? 0 : Math.ceil((its.told.minutes_left || 0) / BUCKET) };
}

// Redraw what changed. `parts` are the two ruled sheets, of those that need something and of the others.
export function showSheet(parts, none, narrowed) {
  const text = narrowed.trim().toLowerCase();
  let anew = changed.all || text !== shownWith;
  if (!anew) {
    for (const key of changed.visits) {
      const its = known.visits.get(key);
      if (!its) { anew = true; break; }
      const { press, free } = rank(its);
      if (press !== its.press || free !== its.free) { anew = true; break; }
    }
  }
  if (anew) {
    shownWith = text;
    const rows = openVisits().filter((its) => fits(its, text));
    for (const its of rows) Object.assign(its, rank(its));
    rows.sort((a, b) => a.press - b.press || a.free - b.free || a.order - b.order);
    const needing = rows.filter((its) => its.press < CALM);
    const going = rows.filter((its) => its.press >= CALM);
    const active = document.activeElement;
    const at = active && active.closest ? active.closest("tr[data-key]") : null;
    put(parts.needing, needing, plural(needing.length, "1 visit needs something of the shop", "{n} visits need something of the shop"));
    put(parts.going, going, needing.length
      ? plural(going.length, "The other visit", "The other {n} visits, who is free next first") : plural(going.length, "1 visit", "{n} visits, who is free next first"));
    // a row that moved keeps the focus that it had
    if (at && active !== document.activeElement) {
      const its = known.visits.get(at.dataset.key);
      if (its && its.row && its.row.isConnected) its.row.querySelector("a").focus({ preventScroll: true });
    }
    none.hidden = rows.length > 0 || !text; // that no visit is open at all the summary says
    say(none, t("No open visit fits."));
  } else {
    for (const key of changed.visits) {
      const its = known.visits.get(key);
      if (its && its.row) renew(its.row, its);
    }
  }
  changed.visits.clear();
  changed.all = false;
}

function put({ section, head, body }, rows, words) {
  section.hidden = !rows.length;
  if (rows.length) say(head, words);
  const wide = body.id === "needing-rows";
  // a row that was made stays with its visit, so that it need not be made again when it comes back
  const rowOf = (its) => (wide ? its.wide ||= build(its, wide) : its.narrow ||= build(its, wide));
  keyed(body, rows, (its) => its.key, rowOf, (row, its) => { its.row = row; renew(row, its); });
}

function fits(its, text) {
  if (!text) return true;
  const names = Object.values(its.told.systems || {}).map((system) => system.title || "").join(" ");
  return `${its.station} ${its.visit} ${its.told.technician || ""} ${names}`.toLowerCase().includes(text);
}

const blanks = new Map(); // one empty row of each sheet, of which all others are copies

function blank(wide) {
  const cell = (...parts) => make("td", { role: "cell" }, ...parts);
  return make("tr", { role: "row" }, cell(make("a", { class: "who" }), make("p")), cell(make("p"), make("p")), wide ? make("td", { role: "cell", class: "wants" }) : "", cell());
}

function build(its, wide) {
  if (!blanks.has(wide)) blanks.set(wide, blank(wide));
  const row = blanks.get(wide).cloneNode(true);
  const whose = row.firstElementChild.firstElementChild;
  whose.setAttribute("href", `#/visit/${its.station}/${its.visit}`);
  whose.textContent = jobWords(its.station, its.visit);
  return row;
}

function renew(row, its) {
  const visit = its.told;
  const silent = silence(its.station);
  const state = `${its.version}|${silent ? Math.round(silent / 60) : ""}|${online(its.station)}`;
  if (row.shown === state) return; // nothing that is shown has changed
  row.shown = state;
  const [whose, far] = row.children;
  say(whose.lastElementChild, [technicianWords(visit.technician), sinceWords(visit.opened, now())].filter(Boolean).join(", "));
  say(far.firstElementChild, silent ? silentWords(visit, silent) : farWords(visit));
  say(far.lastElementChild, [progressWords(visit), !silent && !online(its.station) ? t("off the air at the moment") : ""].filter(Boolean).join("; "));
  if (row.children.length === 4) lines(row.children[2], wantLines(visit));
  lines(row.lastElementChild, foundLines(visit).map((text, at) => ({ key: String(at), text })));
}

function lines(cell, all) {
  if (!all.length && !cell.firstElementChild) return;
  keyed(cell, all, (line) => line.key, () => make("p"), (line, each) => say(line, each.text));
}

// The sheet in a sentence.
export function summary(counts) {
  const { open, needing, silent, over } = counts;
  const parts = [];
  if (needing) parts.push(plural(needing, "1 needs something of the shop", "{n} need something of the shop"));
  if (silent) parts.push(plural(silent, "1 station is silent too long", "{n} stations are silent too long"));
  if (over) parts.push(plural(over, "1 instrument is past its calibration", "{n} instruments are past their calibration"));
  const head = open ? plural(open, "1 visit is open", "{n} visits are open") : t("No visit is open");
  return `${head}${parts.length ? `; ${parts.join("; ")}` : open ? t(", and nobody needs anything") : ""}.`;
}
