// The sheet: every point and task of each system in walking order, as sentences, with what a hand can press.
//
// A stop is a fold. The one that holds what is next opens by itself, one that is finished closes by itself; in between
// it stays as a person left it. Inside, what is finished is one line.
import { keyed, make, say } from "./dom.js";
import { job } from "./job.js";
import { t } from "./words.js";

const SIGN = {
  todo: "○", doing: "▸", settling: "…", hunting: "≈", settled: "✓", done: "✓", skipped: "–", questioned: "?",
  disturbed: "!", not_needed: "–",
};
// Each state in words too: a sign alone says nothing to a screen reader.
const WORD = {
  todo: "to do", doing: "begun", settling: "settling", hunting: "hunting", settled: "settled", done: "done",
  skipped: "skipped", questioned: "asked", disturbed: "disturbed", not_needed: "not needed",
};
const FINISHED = new Set(["settled", "done", "skipped", "not_needed"]);
const MOVING = new Set(["settling", "hunting", "disturbed"]);

export function showSheet(parent, press) {
  const systems = Object.entries(job.systems).filter(([, its]) => its.worklist);
  keyed(parent, systems, ([id]) => id, ([id]) => buildSystem(id), (element, [id, its]) => renewSystem(element, id, its, press));
}

export function systemTitle(id) {
  const about = job.visit && job.visit.systems ? job.visit.systems[id] : null;
  return (about && about.title) || id;
}

// The sheet that somebody is at, and its next item.
export function nextUp() {
  const sheets = Object.entries(job.systems).filter(([, its]) => its.worklist);
  const found = sheets.find(([, its]) => its.worklist.here && its.worklist.next)
    || sheets.find(([, its]) => its.worklist.next) || sheets[0];
  if (!found) return null;
  const [system, its] = found;
  const item = its.worklist.items.find((each) => each.id === its.worklist.next && !FINISHED.has(each.state))
    || its.worklist.items.find((each) => each.id === its.worklist.next);
  return { system, sheet: its.worklist, item: item || null };
}

function buildSystem(id) {
  return make("section", { class: "system", "aria-labelledby": `system-${id}` },
    make("h2", { id: `system-${id}` }), make("p", { class: "small", "data-part": "run" }), make("div", { "data-part": "stops" }));
}

function renewSystem(element, id, its, press) {
  const sheet = its.worklist;
  say(element.querySelector("h2"), t("{title}: {done} of {total} done", { title: systemTitle(id), done: sheet.done || 0, total: sheet.total || 0 }));
  say(element.querySelector("[data-part=run]"), standing(job.visit.systems && job.visit.systems[id], its));
  const stops = [];
  for (const item of sheet.items) {
    const last = stops[stops.length - 1];
    if (last && last.stop === item.stop && last.phase === item.phase) last.items.push(item);
    else stops.push({ stop: item.stop, phase: item.phase, items: [item] });
  }
  // the same stop may come twice in a phase: told apart by which time it is, so that no item's coming or going remakes it
  const times = {};
  for (const stop of stops) {
    const name = `${stop.phase}/${stop.stop}`;
    times[name] = (times[name] || 0) + 1;
    stop.key = `${name}/${times[name]}`;
  }
  const open = (item) => !FINISHED.has(item.state);
  const at = stops.find((stop) => stop.phase === sheet.phase && stop.items.some((item) => item.id === sheet.next && open(item)))
    || stops.find((stop) => stop.phase === sheet.phase && stop.items.some(open)) || stops.find((stop) => stop.items.some(open));
  if (at) at.holds = true;
  keyed(element.querySelector("[data-part=stops]"), stops, (stop) => stop.key, buildStop,
    (part, stop) => renewStop(part, stop, id, its, press));
}

function buildStop() {
  return make("details", { class: "stop" }, make("summary", {}, make("h3")),
    make("details", { class: "finished", hidden: true }, make("summary"), make("ul", { class: "items" })),
    make("ul", { class: "items", "data-part": "open" }));
}

function renewStop(part, stop, system, its, press) {
  const sheet = its.worklist;
  const open = stop.items.filter((item) => !FINISHED.has(item.state));
  const finished = stop.items.filter((item) => FINISHED.has(item.state));
  const mood = !open.length ? "finished" : stop.holds ? "next" : "waiting";
  if (part.dataset.mood !== mood) {
    if (mood === "next") part.open = true;
    else if (mood === "finished" && !part.contains(document.activeElement)) part.open = false;
    part.dataset.mood = mood;
  }
  const words = { stop: t(stop.stop), phase: t(stop.phase.replace("_", " ")), n: open.length };
  say(part.querySelector("h3"), !open.length ? t("✓ {stop} ({phase}): all done", words)
    : open.length === 1 ? t("{stop} ({phase}): 1 to do", words) : t("{stop} ({phase}): {n} to do", words));
  if (!part.open) return; // nobody sees it; it is brought up to date when it is opened
  const folded = part.querySelector(".finished");
  folded.hidden = !finished.length;
  say(folded.querySelector("summary"), t("✓ out of the way: {n}", { n: finished.length }));
  const show = (list, items) => {
    let before = "";
    keyed(list, items, (item) => item.id, (item) => buildItem(system, item, press), (line, item) => {
      renewItem(line, item, its, sheet.next === item.id, item.caution && item.caution === before);
      before = item.caution;
    });
  };
  show(folded.querySelector("ul"), finished);
  show(part.querySelector("[data-part=open]"), open);
}

function standing(about, its) {
  const run = its.run ? t(its.run.state) : "";
  const mode = its.run && its.run.mode ? t(its.run.mode) : "";
  return [about && about.refrigerant, run && t("the system is {run}", { run }), mode].filter(Boolean).join(", ");
}

function buildItem(system, item, press) {
  const line = make("li", {},
    make("span", { class: "sign", "aria-hidden": "true" }),
    make("p", { class: "line" }), make("p", { class: "live small", hidden: true }), make("p", { class: "caution", hidden: true }),
    buttonRow(item, (what) => press(what, system, line.item)));
  line.append(make("details", { hidden: true }, make("summary", {}, t("Why")), make("p")));
  return line;
}

// What a hand can do about an item; which of them are shown depends on its state.
export function buttonRow(item, pressed) {
  const row = make("div", { class: "row" });
  const button = (word, what, plain) =>
    row.append(make("button", { type: "button", "data-what": what, class: plain ? "plain" : "", onclick: () => pressed(what) }, t(word)));
  if (item.kind === "task") {
    button("Begin", "begun", true);
    button("Done", "done", false);
    button("Skip", "skipped", true);
    button("Take back", "undone", true);
  } else {
    button("Enter by hand", "enter", true);
    button("Plot", "plot", true);
  }
  return row;
}

export function renewButtons(row, item) {
  for (const button of row.querySelectorAll("button")) {
    const what = button.dataset.what;
    button.hidden = what === "undone" ? !(item.state === "done" || item.state === "skipped")
      : what === "begun" ? item.state !== "todo"
      : what === "plot" ? !(MOVING.has(item.state) || item.state === "settled")
      : what === "enter" ? item.state === "settled"
      : FINISHED.has(item.state);
    const label = `${button.textContent}: ${item.title}`;
    if (button.getAttribute("aria-label") !== label) button.setAttribute("aria-label", label);
  }
}

// What a value does at this moment, where its sentence does not say it already.
export function liveWords(its, item) {
  if (!MOVING.has(item.state)) return "";
  const now = its.now || {};
  const value = its.live[item.id] || (now.readings || {})[item.id] || (now.derived || {})[item.id];
  if (!value || value.settled || !value.text) return "";
  return value.ahead && !item.sentence.includes(value.ahead)
    ? t("now {text}; {ahead}", { text: value.text, ahead: value.ahead }) : t("now {text}", { text: value.text });
}

function renewItem(line, item, its, isNext, sameCaution) {
  line.item = item;
  const finished = FINISHED.has(item.state);
  const looks = [isNext ? "is-next" : "", finished ? "is-done" : ""].join(" ").trim();
  if (line.className !== looks) line.className = looks;
  say(line.querySelector(".sign"), SIGN[item.state] || "○");
  const words = t(WORD[item.state] || item.state);
  const told = item.sentence || item.title;
  const plain = item.state === "todo" || told.toLowerCase().includes(words.toLowerCase());
  say(line.querySelector(".line"), plain ? told : `${told} (${words})`);
  const live = line.querySelector(".live");
  say(live, liveWords(its, item));
  live.hidden = !live.textContent;
  const caution = line.querySelector(".caution");
  caution.hidden = !item.caution || finished;
  say(caution, sameCaution && !isNext ? t("The same caution as above.") : item.caution || "");
  const why = line.querySelector("details");
  why.hidden = !item.why;
  if (item.why) say(why.querySelector("p"), item.why);
  renewButtons(line.querySelector(".row"), item);
}
