// The sheet: every point and task of each system in walking order, as sentences, with what a hand can press.
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

export function showSheet(parent, press) {
  const systems = Object.entries(job.systems).filter(([, its]) => its.worklist);
  keyed(parent, systems, ([id]) => id, ([id]) => buildSystem(id), (element, [id, its]) => renewSystem(element, id, its, press));
}

function buildSystem(id) {
  return make("section", { class: "system", "aria-labelledby": `system-${id}` },
    make("h2", { id: `system-${id}` }), make("p", { class: "small", "data-part": "run" }), make("div", { "data-part": "stops" }));
}

function renewSystem(element, id, its, press) {
  const sheet = its.worklist;
  const about = job.visit && job.visit.systems ? job.visit.systems[id] : null;
  say(element.querySelector("h2"), t("{title}: {done} of {total} done", { title: (about && about.title) || id, done: sheet.done || 0, total: sheet.total || 0 }));
  say(element.querySelector("[data-part=run]"), standing(about, its));
  const stops = [];
  for (const item of sheet.items) {
    const last = stops[stops.length - 1];
    if (last && last.stop === item.stop && last.phase === item.phase) last.items.push(item);
    else stops.push({ stop: item.stop, phase: item.phase, key: `${item.phase}/${item.stop}/${item.id}`, items: [item] });
  }
  keyed(element.querySelector("[data-part=stops]"), stops, (stop) => stop.key,
    () => make("div", {}, make("h3"), make("ul", { class: "items" })),
    (part, stop) => {
      say(part.querySelector("h3"), t("{stop} ({phase})", { stop: t(stop.stop), phase: t(stop.phase.replace("_", " ")) }));
      keyed(part.querySelector("ul"), stop.items, (item) => item.id, (item) => buildItem(id, item, press),
        (line, item) => renewItem(line, item, sheet.next === item.id));
    });
}

function standing(about, its) {
  const run = its.run ? t(its.run.state) : "";
  const mode = its.run && its.run.mode ? t(its.run.mode) : "";
  return [about && about.refrigerant, run && t("the system is {run}", { run }), mode].filter(Boolean).join(", ");
}

function buildItem(system, item, press) {
  const line = make("li", {},
    make("span", { class: "sign", "aria-hidden": "true" }),
    make("p", { class: "line" }), make("p", { class: "caution", hidden: true }),
    make("div", { class: "row" }));
  const row = line.querySelector(".row");
  const button = (word, what, plain) => {
    const made = make("button", { type: "button", "data-what": what, class: plain ? "plain" : "",
      onclick: () => press(what, system, line.item) }, t(word));
    row.append(made);
  };
  if (item.kind === "task") {
    button("Begin", "begun", true);
    button("Done", "done", false);
    button("Skip", "skipped", true);
    button("Take back", "undone", true);
  } else {
    button("Enter by hand", "enter", true);
    button("Plot", "plot", true);
  }
  line.append(make("details", { hidden: true }, make("summary", {}, t("Why")), make("p")));
  return line;
}

function renewItem(line, item, isNext) {
  line.item = item;
  const finished = FINISHED.has(item.state);
  line.className = [isNext ? "is-next" : "", finished ? "is-done" : ""].join(" ").trim();
  say(line.querySelector(".sign"), SIGN[item.state] || "○");
  const words = t(WORD[item.state] || item.state);
  const told = item.sentence || item.title;
  say(line.querySelector(".line"), told.toLowerCase().includes(words.toLowerCase()) ? told : `${told} (${words})`);
  const caution = line.querySelector(".caution");
  caution.hidden = !item.caution || finished;
  say(caution, item.caution || "");
  const why = line.querySelector("details");
  why.hidden = !item.why;
  if (item.why) say(why.querySelector("p"), item.why);
  for (const button of line.querySelectorAll("button")) {
    const what = button.dataset.what;
    button.hidden = what === "undone" ? !(item.state === "done" || item.state === "skipped")
      : what === "begun" ? item.state !== "todo"
      : what === "plot" ? !["settling", "hunting", "settled", "disturbed"].includes(item.state)
      : what === "enter" ? item.state === "settled"
      : finished;
    const label = `${button.textContent}: ${item.title}`;
    if (button.getAttribute("aria-label") !== label) button.setAttribute("aria-label", label);
  }
}
