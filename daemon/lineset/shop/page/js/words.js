// What a dispatcher reads of a visit: sentences, from one retained message. No page, no network.
import { t } from "../shared/words.js";

const PHASE_WORD = {
  at_rest: "Before it runs: readings at rest", before: "Measuring before the work", work: "At work", drying: "Waiting for the coil to dry",
  after: "Measuring after the work",
};
const WANT_WORD = { approval: "approval", part: "part", return_visit: "return visit" };
const SOON_WORD = { now: ", before it runs again", soon: "", next_visit: ", by the next visit", note: "" };
const URGENCY = ["now", "soon", "next_visit", "note", ""];
const ABOUT_WORD = {
  access: "something about the access", blower: "something about the blower", capacitor: "something about the capacitor",
  coil: "something about the coil", compressor: "something about the compressor", condensate_pump: "something about the condensate pump",
  connections: "something about the connections", contactor: "something about the contactor", drain: "something about the drain",
  ducts: "something about the ducts", filter: "something about the filter", float_switch: "something about the float switch",
  heat_strips: "something about the heat strips", indoor_coil: "something about the indoor coil", indoor_unit: "something about the indoor unit",
  labels: "something about the labels", outdoor_coil: "something about the outdoor coil", outdoor_fan: "something about the outdoor fan",
  outdoor_unit: "something about the outdoor unit", thermostat: "something about the thermostat",
};

export const phaseWords = (phase) => t(PHASE_WORD[phase] || phase.replace(/_/g, " "));

export function upper(text) {
  return text ? `${text[0].toUpperCase()}${text.slice(1)}` : "";
}

export function spanWords(seconds) {
  const minutes = Math.round(seconds / 60);
  if (minutes < 1) return t("less than a minute");
  if (minutes < 120) return plural(minutes, "1 minute", "{n} minutes");
  const hours = Math.round(minutes / 60);
  return hours < 48 ? t("{n} hours", { n: hours }) : t("{n} days", { n: Math.round(hours / 24) });
}

export function leftWords(visit) {
  const left = Math.ceil(visit.minutes_left || 0);
  return left ? plural(left, "about 1 minute left", "about {n} minutes left") : "";
}

export function progressWords(visit) {
  let done = 0;
  let total = 0;
  for (const [some, all] of Object.values(visit.progress || {})) { done += some; total += all; }
  return total ? t("{done} of {total} lines of the sheet done", { done, total }) : "";
}

export const jobWords = (station, visit) => t("{station}, job {visit}", { station, visit });
export const technicianWords = (technician) => (technician ? t("technician {technician}", { technician }) : "");

// How far a visit is, where its station speaks: "Measuring before the work; about 35 minutes left."
export function farWords(visit) {
  const left = leftWords(visit);
  return `${phaseWords(visit.phase)}${left ? `; ${left}` : ""}.`;
}

export function silentWords(visit, quiet) {
  const phase = phaseWords(visit.phase);
  return t("⚑ Silent for {span}. Last heard of: {phase}.", { span: spanWords(quiet), phase: `${phase[0].toLowerCase()}${phase.slice(1)}` });
}

// A system by its title, and only where there is more than one to tell apart.
export function systemWords(visit, id) {
  const systems = visit.systems || {};
  if (Object.keys(systems).length < 2) return "";
  return (systems[id] && systems[id].title) || id || "";
}

export function aboutWords(about) {
  return ABOUT_WORD[about] ? t(ABOUT_WORD[about]) : t("something about: {about}", { about: about.replace(/_/g, " ") });
}

// One sentence for each thing seen: "Approval and part: the capacitor's top is bulged (Upstairs)."
export function wantLines(visit) {
  return (visit.wanted || []).map((want) => {
    const sorts = Object.keys(WANT_WORD).filter((sort) => want.wants.includes(sort)).map((sort) => t(WANT_WORD[sort]));
    const last = sorts.pop();
    const head = sorts.length ? t("{some} and {last}", { some: sorts.join(", "), last }) : last;
    const where = systemWords(visit, want.system);
    const what = want.title ? t(want.title) : want.about ? aboutWords(want.about) : t("see what was written");
    return { key: String(want.seq), text: `${upper(head)}: ${what}${where ? ` (${where})` : ""}${t(SOON_WORD[want.urgency || ""] || "")}.` };
  });
}

export function foundLines(visit) {
  const lines = (visit.found || []).filter((found) => found.rank === 1 || (visit.found || []).length < 3).slice(0, 4).map((found) => {
    const where = systemWords(visit, found.system);
    return `${where ? `${where}: ` : ""}${t(found.title)}${found.confidence ? ` (${t(found.confidence)})` : ""}`;
  });
  const outside = (visit.checks || {}).fail || 0;
  if (outside) lines.push(plural(outside, "1 check outside its limits", "{n} checks outside their limits"));
  return lines;
}

// How pressing: lower comes first. Somebody waits on site for an approval; a part can come; a return visit can be booked.
export function pressing(visit, silent) {
  const wanted = visit.wanted || [];
  if (!wanted.length) return silent ? 40 : 100;
  const sorts = new Set(wanted.flatMap((want) => want.wants));
  const urgency = Math.min(...wanted.map((want) => URGENCY.indexOf(want.urgency || "")));
  const sort = sorts.has("approval") ? 0 : sorts.has("part") ? 10 : 20;
  return sort + Math.max(0, urgency);
}

// One and many of something, in the page's language.
export function plural(n, one, many) {
  return n === 1 ? t(one) : t(many, { n });
}
