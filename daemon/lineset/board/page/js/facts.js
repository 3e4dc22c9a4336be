// Facts that no instrument tells: said by a tap, taken back by another.
import { choices, keyed, make, say } from "./dom.js";
import { job } from "./job.js";
import { systemTitle } from "./sheet.js";
import { t } from "./words.js";

// Which facts matter in which phase; all others are one step away.
const MATTER = {
  at_rest: ["power_off_verified", "gauges_open", "manometer_open", "thermometers_together", "clamps_released", "winter_off"],
  before: ["gauges_open", "thermometers_together", "airflow_checked", "steady_cooling", "full_capacity", "heating"],
  work: ["power_off_verified", "isolated", "panels_on", "filter_in"],
  drying: ["panels_on", "filter_in", "outdoor_coil_dry", "indoor_coil_dry"],
  after: ["restarted", "panels_on", "filter_in", "outdoor_coil_dry", "thermostat_restored", "caps_on", "disconnect_in"],
};
const FIRST = "panel_open"; // silences the cues, so it is never a step away

export function showFacts(section, facts, order) {
  const ids = Object.keys(job.systems);
  section.hidden = !job.visit || job.visit.state !== "open" || !ids.length;
  if (section.hidden) return;
  const select = section.querySelector("select");
  choices(select, ids.map((id) => [id, systemTitle(id)]));
  select.closest("label").hidden = ids.length < 2;
  const near = MATTER[job.visit.phase] || [];
  const said = job.declared[select.value] || {};
  const put = (list, names) => keyed(list, names.filter((name) => facts[name]), (name) => name,
    (name) => make("button", { type: "button", class: name === FIRST ? "plain large" : "plain",
      onclick: () => order("declare", { fact: name, value: !(job.declared[select.value] || {})[name], system: select.value }) }),
    (button, name) => {
      button.setAttribute("aria-pressed", said[name] === true);
      say(button, `${said[name] === true ? "✓" : "○"} ${facts[name].sentence}`);
    });
  put(section.querySelector("[data-part=near]"), [FIRST, ...near]);
  put(section.querySelector("[data-part=far]"), Object.keys(facts).filter((name) => name !== FIRST && !near.includes(name)));
}

// A sentence of what is missing, without the words for a command line; where those declare a fact, a button that does.
export function wantLine(text) {
  const named = /lineset declare (\w+)(?: --system ([\w-]+))?/.exec(text);
  const prefix = /^([\w-]+): /.exec(text);
  const ids = Object.keys(job.systems);
  const system = (named && named[2]) || (prefix && ids.includes(prefix[1]) ? prefix[1] : ids[0]);
  const words = text.replace(/[,:;]?[^,:;()]*: lineset [a-z-]+(?: (?:--)?[\w.-]+)*/g, "");
  return { text: words, fact: named ? named[1] : "", system };
}

export function showWants(list, texts, order) {
  keyed(list, texts.map((text, n) => ({ ...wantLine(text), n })), (each) => `${each.n}/${each.system}/${each.fact}`,
    (each) => make("li", {}, make("p"), each.fact ? make("button", { type: "button", class: "plain",
      onclick: () => order("declare", { fact: each.fact, value: true, system: each.system }) }, t("It is so")) : ""),
    (item, each) => {
      say(item.querySelector("p"), each.text);
      const button = item.querySelector("button");
      if (!button) return;
      const so = (job.declared[each.system] || {})[each.fact] === true;
      say(button, so ? `✓ ${t("It is so")}` : t("It is so"));
      button.setAttribute("aria-pressed", so);
      button.setAttribute("aria-label", `${button.textContent}: ${each.text}`);
    });
}

// A refusal as the station words it: what is missing, one sentence each.
export function wantsOf(refusal) {
  const parts = refusal.replace(/\.?\s+[^.]*: lineset visit .*$/s, "").split(/\s*\(\d+\)\s*/);
  return parts.length > 1 ? parts.slice(1).map((part) => part.replace(/\.$/, "")) : [parts[0].replace(/^[^:]*:[^:]*:\s*/, "")];
}
